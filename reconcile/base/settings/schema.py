"""The settings as a JSON schema, by which an editor completes and checks ``reconcile.toml``."""

from __future__ import annotations

import json
from typing import Any

from pydantic.json_schema import GenerateJsonSchema

from reconcile.base.settings.whole import Settings

#: The file beside the settings that their first line names: ``#:schema reconcile.schema.json``.
SCHEMA_FILE = "reconcile.schema.json"


def settings_schema() -> dict[str, Any]:
    """JSON Schema, draft 2020-12 (json-schema.org), of the whole ``reconcile.toml``."""
    schema = Settings.model_json_schema(mode="validation")
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        **schema,
        "title": "Settings of a workspace (reconcile.toml)",
    }


def schema_text() -> bytes:
    """The same as the bytes of a file."""
    return (json.dumps(settings_schema(), indent=1, ensure_ascii=False) + "\n").encode()
