"""Every example in the API document fits the schema it stands for, and no schema is left over.

Source: OpenAPI 3.1, whose schemas are JSON Schema 2020-12.
"""

import json
import sys
from pathlib import Path

from jsonschema import Draft202012Validator

DOCUMENT = json.loads((Path(__file__).resolve().parent.parent / "openapi/v1.json").read_text())
SCHEMAS = DOCUMENT["components"]["schemas"]
problems = []
count = 0


def must_fit(example, schema, where):
    global count
    count += 1
    whole = {**schema, "components": DOCUMENT["components"]}
    for error in Draft202012Validator(whole).iter_errors(example):
        problems.append(f"{where}: {error.json_path}: {error.message[:200]}")


def check_content(content, where):
    for kind, media in content.items():
        examples = [media["example"]] if "example" in media else []
        examples += [named["value"] for named in media.get("examples", {}).values()]
        for example in examples:
            must_fit(example, media["schema"], f"{where} {kind}")


for name, schema in SCHEMAS.items():
    reference = {"$ref": f"#/components/schemas/{name}"}
    own = [schema["example"]] if "example" in schema else []
    for example in own + schema.get("examples", []):
        must_fit(example, reference, name)
        if name.endswith("Entry"):
            must_fit(example, {"$ref": "#/components/schemas/NewEntry"}, name)
    if f'"{reference["$ref"]}"' not in json.dumps(DOCUMENT):
        problems.append(f"nothing refers to the schema {name}")

for path, item in DOCUMENT["paths"].items():
    for method, operation in item.items():
        check_content(operation.get("requestBody", {}).get("content", {}), f"{method} {path}")
        for status, answer in operation["responses"].items():
            check_content(answer.get("content", {}), f"{method} {path} {status}")

print(f"{count} examples")
sys.exit("\n".join(problems) if problems else 0)
