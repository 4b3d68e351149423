"""nightview schema: the scene file's JSON Schema."""

from __future__ import annotations


def schema() -> None:
    """Print the JSON Schema of the scene file, for editors that complete and check TOML.

    Example: nightview schema > nightview.schema.json
    """
    import json

    from nightview.scene.schema import schema as schema_of

    print(json.dumps(schema_of(), indent=2, ensure_ascii=False))
