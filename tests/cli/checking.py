"""Documents against the schemas that are published for them."""

from __future__ import annotations

import json

import jsonschema

from speakerdb.resources import resource_dir


def check(command, document):
    schema = json.loads((resource_dir("schemas") / "cli" / f"{command}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(document)
