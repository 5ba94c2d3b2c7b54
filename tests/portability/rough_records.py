"""A snapshot with holes: what may be missing in a store's tables is missing in one row of seven, column by column.

Clean records hardly have nulls, and nulls are where engines differ: in orders, in joins, in the least and greatest of several values.
"""

import tomllib

import duckdb

from statements import ROOT, STORE_TABLES, literal


def roughen(snapshot, folder):
    for table in STORE_TABLES:
        described = tomllib.loads((ROOT / "schemas" / "tables" / "store" / f"{table}.toml").read_text())["column"]
        columns = {column["name"]: column.get("nullable", False) for column in described}
        holes = [f'CASE WHEN hash(source_line, {literal(name)}) % 7 > 0 THEN "{name}" END AS "{name}"' for name, may in columns.items() if may]
        replaced = f"REPLACE ({', '.join(holes)})" if holes and "source_line" in columns else ""
        (folder / table).mkdir(parents=True)
        files = literal(str(snapshot / table / "*.parquet"))
        out = literal(str(folder / table / "rough.parquet"))
        duckdb.sql(f"COPY (SELECT * {replaced} FROM read_parquet({files}, union_by_name = true)) TO {out} (FORMAT parquet)")
    return folder
