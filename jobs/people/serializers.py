"""People as the API gives them out."""

from __future__ import annotations

from rest_framework import serializers

from jobs.people import policies
from jobs.people.models import Person, Qualification
from jobs.web.serializers import Named, RecordSerializer


class QualificationSerializer(RecordSerializer):
    """A proven skill with its dates."""

    skill = Named("code")

    class Meta:
        model = Qualification
        fields = ["skill", "valid_from", "valid_until", "evidence"]


class PersonSerializer(RecordSerializer):
    """Someone of the shop, the roles held today, and the qualifications."""

    roles = serializers.SerializerMethodField()
    qualifications = QualificationSerializer(many=True, read_only=True)

    class Meta:
        model = Person
        fields = ["id", "username", "name", "is_active", "roles", "qualifications"]

    def get_roles(self, person: Person) -> list[str]:
        """The codes of the roles held today."""
        return sorted(person.roles)


class MeSerializer(PersonSerializer):
    """Oneself, one's shop, and what one may do today."""

    shop = Named("code")
    may = serializers.SerializerMethodField()

    class Meta(PersonSerializer.Meta):
        fields = [*PersonSerializer.Meta.fields, "shop", "may"]

    def get_may(self, person: Person) -> list[str]:
        """The codes of the actions that the roles allow."""
        return sorted(code for code in policies.ACTIONS if policies.may(person, code))


class CredentialsSerializer(serializers.Serializer[object]):
    """What a token is given for."""

    username = serializers.CharField(max_length=60)
    password = serializers.CharField(trim_whitespace=False, max_length=1000, write_only=True)


class TokenSerializer(serializers.Serializer[object]):
    """Send it as `Authorization: Token …`."""

    token = serializers.CharField(read_only=True)
