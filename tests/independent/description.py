#!/usr/bin/env python3
"""Holds the description of the API against OpenAPI 3.1, and what was said over the API against the description.

    python3 tests/independent/description.py server/app/openapi.json < said.jsonl

Each line of standard input is one request with its answer: {"method", "path", "request", "status", "answer"}; a request
or an answer without a body of JSON is null. Prints what does not fit. Exit 0: all fits; 1: something does not; 2: it
could not run. Uses openapi-spec-validator and jsonschema from PyPI, and nothing of ours.
"""

import json
import re
import sys

from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator


def pattern(template):
    """The paths that a template stands for."""
    parts = re.split(r"\{[^}]*\}", template)
    return re.compile("[^/]+".join(re.escape(part) for part in parts) + r"\Z")


class Description:
    def __init__(self, document):
        self.document = document
        # A page without a placeholder comes before one with it, as OpenAPI has it.
        self.paths = sorted(document["paths"].items(), key=lambda path: ("{" in path[0], path[0]))

    def operation(self, method, path):
        """The template and the operation of a request; None where there is none."""
        for template, item in self.paths:
            if pattern(template).match(path) and method.lower() in item:
                return template, item[method.lower()]
        return None

    def resolved(self, thing):
        while "$ref" in thing:
            at = self.document
            for step in thing["$ref"].removeprefix("#/").split("/"):
                at = at[step]
            thing = at
        return thing

    def misfits(self, schema, instance):
        """What of an instance does not fit a schema of the document."""
        # The schema is put beside the components that it leans on, so that its references are found.
        whole = {"components": self.document["components"], **schema}
        errors = Draft202012Validator(whole).iter_errors(instance)
        return [f"{error.json_path}: {error.message[:300]}" for error in errors]


def said_against(description, said):
    """What does not fit in one request and its answer."""
    found = description.operation(said["method"], said["path"].split("?")[0])
    if found is None:
        return ["the description has no such page"]
    template, operation = found
    faults = []
    good = said["status"] == 200
    if said["request"] is not None and good:
        content = description.resolved(operation["requestBody"])["content"]["application/json"]
        faults += [f"request: {fault}" for fault in description.misfits(content["schema"], said["request"])]
    responses = operation["responses"]
    response = description.resolved(responses.get(str(said["status"]), responses["default"]))
    media = "application/json" if good else "application/problem+json"
    if said["answer"] is not None and media in response["content"]:
        schema = response["content"][media]["schema"]
        faults += [f"answer: {fault}" for fault in description.misfits(schema, said["answer"])]
    return [f"{template}: {fault}" for fault in faults]


def main():
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    with open(sys.argv[1], encoding="utf-8") as file:
        document = json.load(file)
    faults = [f"{list(error.path)}: {error.message[:300]}" for error in OpenAPIV31SpecValidator(document).iter_errors()]
    for schema in document["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)
    description = Description(document)
    count = 0
    for line in sys.stdin:
        count += 1
        said = json.loads(line)
        about = f"{said['method']} {said['path']} {said['status']}"
        faults += [f"{about}: {fault}" for fault in said_against(description, said)]
    for fault in faults:
        print(fault)
    print(f"{count} requests, {len(faults)} misfits")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
