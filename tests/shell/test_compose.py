"""The production set as `docker-compose.yml` states it."""

from __future__ import annotations

from typing import Any

import pytest
import yaml

from tests.shell.paths import ROOT, text_of


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    return dict(yaml.safe_load(text_of("docker-compose.yml")))


def test_it_has_every_part_of_the_production_set(compose: dict[str, Any]) -> None:
    assert {"web", "worker", "beat", "postgres", "redis"} <= set(compose["services"])


@pytest.mark.parametrize("part", ["web", "worker", "beat", "postgres", "redis"])
def test_every_lasting_part_tells_its_health_and_comes_back(compose: dict[str, Any], part: str) -> None:
    service = compose["services"][part]
    assert service["healthcheck"]["test"]
    assert service["restart"] == "unless-stopped"


@pytest.mark.parametrize("part", ["web", "worker", "beat"])
def test_nothing_starts_before_tables_and_broker_are_there(compose: dict[str, Any], part: str) -> None:
    awaited = compose["services"][part]["depends_on"]
    assert awaited["migrate"] == {"condition": "service_completed_successfully"}
    assert awaited["redis"] == {"condition": "service_healthy"}


def test_web_and_workers_share_one_environment_and_one_store(compose: dict[str, Any]) -> None:
    parts = [compose["services"][name] for name in ("migrate", "web", "worker", "beat")]
    for part in parts[1:]:
        assert part["environment"] == parts[0]["environment"]
        assert part["volumes"] == parts[0]["volumes"]
    assert parts[0]["environment"]["DATABASE_URL"].startswith("postgres://")
    assert parts[0]["environment"]["REDIS_URL"].startswith("redis://redis")


def test_what_is_set_is_something_the_settings_read(compose: dict[str, Any]) -> None:
    settings = text_of("shopapp/settings.py")
    unread = [name for name in compose["services"]["web"]["environment"] if f'"{name}"' not in settings]
    assert unread == []


def test_redis_keeps_its_messages_through_a_kill(compose: dict[str, Any]) -> None:
    assert "--appendonly yes" in compose["services"]["redis"]["command"]


def test_what_must_last_lies_on_named_volumes(compose: dict[str, Any]) -> None:
    mounted = {
        volume.split(":")[0]
        for service in compose["services"].values()
        for volume in service.get("volumes", [])
        if not volume.startswith(".")
    }
    assert mounted == set(compose["volumes"]) == {"data", "postgres", "redis"}


def test_only_the_web_process_is_reached_and_only_from_this_machine(
    compose: dict[str, Any],
) -> None:
    published = {
        name: service["ports"] for name, service in compose["services"].items() if "ports" in service
    }
    assert set(published) == {"web"}
    assert all(port.startswith("127.0.0.1:") for port in published["web"])


def test_the_image_runs_as_nobody_in_particular() -> None:
    lines = text_of("Dockerfile").splitlines()
    users = [line.split()[1] for line in lines if line.startswith("USER ")]
    assert users == ["midflank"]
    assert lines.index("USER midflank") < next(i for i, line in enumerate(lines) if line.startswith("CMD"))


def test_the_image_installs_the_same_debian_packages_and_the_same_lock_as_the_set_up() -> None:
    dockerfile = text_of("Dockerfile")
    assert "scripts/debian-run.txt" in dockerfile
    assert "--require-hashes -r requirements.txt" in dockerfile
    assert "scripts/debian-run.txt" in text_of("scripts/setup.sh")


def test_the_image_gets_every_folder_it_copies_and_no_data() -> None:
    kept = {line[1:] for line in text_of(".dockerignore").splitlines() if line.startswith("!")}
    assert {name for name in kept if not (ROOT / name).exists()} == set()
    assert {"analysis", "jobs", "shopapp", "templates", "manage.py", "requirements.txt"} <= kept
    assert not kept & {"data", ".venv", ".git", ".env", "signing-keys"}
