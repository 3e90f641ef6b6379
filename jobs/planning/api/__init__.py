"""The plan over the API."""
