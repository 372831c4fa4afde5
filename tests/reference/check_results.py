#!/usr/bin/env python3
"""Validates result files against docs/results.schema.json, and readings for uniqueness.

Usage: check_results.py FILE...   Prints a line for each problem; exits with 1 when there is any.
"""
import json
import pathlib
import sys

import jsonschema

SCHEMA = pathlib.Path(__file__).resolve().parents[2] / "docs" / "results.schema.json"


def refuse_constant(name):
    raise ValueError(f"{name} is no JSON number")


def all_findings(document):
    yield from document.get("findings", [])
    for recording in document.get("recordings", []):
        yield from recording["findings"]
        yield from recording["summary"]


def problems_of(path, validator):
    try:
        text = pathlib.Path(path).read_text(encoding="utf-8")
        document = json.loads(text, parse_constant=refuse_constant)
    except (OSError, ValueError) as error:
        return [str(error)]
    problems = [f"{error.json_path}: {error.message}" for error in validator.iter_errors(document)]
    if problems:
        return problems
    for findings in all_findings(document):
        names = [(r["key"], r["channel"], r["unit"]) for r in findings["readings"]]
        problems += [f"reading stands twice: {n}" for n in set(names) if names.count(n) > 1]
    return problems


def main(paths):
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    failed = False
    for path in paths:
        for problem in problems_of(path, validator):
            print(f"{path}: {problem}")
            failed = True
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
