"""The published files, one record each: its fields are the file's keys, in their order.

In: results.
Out: records of results.json (`results`, with `reference` and `crosscheck`), compare.json, shared.json
and a plan; `record` has what they share, `checking` reads one back. The JSON Schemas beside the
records are made from them by ``python tests/support/make_schemas.py``.
May import: everything from `logger` to `plots`.
"""
