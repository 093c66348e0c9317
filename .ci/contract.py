"""Reads the contract with tools that are not ours: it must be valid OpenAPI 3.1,
and every worked example in it must fit the schema beside it."""

import json
import sys

from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator


def examples(content):
    """The examples of a media type or a schema."""
    if "example" in content:
        yield content["example"]
    for example in content.get("examples", {}):
        # A media type names its examples, a schema lists them.
        yield content["examples"][example]["value"] if isinstance(example, str) else example


def media_types(contract):
    """Every media type of a body, with where it stands."""
    for path, item in contract["paths"].items():
        for method, operation in item.items():
            at = f"{method} {path}"
            for kind, content in operation.get("requestBody", {}).get("content", {}).items():
                yield f"{at} request {kind}", content
            for status, response in operation["responses"].items():
                for kind, content in response.get("content", {}).items():
                    yield f"{at} answer {status} {kind}", content


def main(path):
    with open(path, encoding="utf-8") as file:
        contract = json.load(file)
    OpenAPIV31SpecValidator(contract).validate()

    faults, checked = [], 0

    def check(at, schema, example):
        nonlocal checked
        checked += 1
        # The references of a schema are looked up in the document around it.
        whole = {"allOf": [schema], "components": contract["components"]}
        for error in Draft202012Validator(whole).iter_errors(example):
            place = "/".join(map(str, error.absolute_path)) or "the whole"
            faults.append(f"{at}: {place}: {error.message}")

    for name, schema in contract["components"]["schemas"].items():
        for example in examples(schema):
            check(f"schema {name}", schema, example)
    for at, content in media_types(contract):
        if "json" in at.rsplit(" ", 1)[1]:
            for example in examples(content):
                check(at, content["schema"], example)

    if not checked:
        faults.append("there is no example in the contract")
    print(f"{len(contract['paths'])} paths, {checked} examples checked")
    if faults:
        sys.exit("\n".join(faults))


if __name__ == "__main__":
    main(sys.argv[1])
