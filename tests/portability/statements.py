"""What the embedded engine runs, in its order, read from its own sources so that nothing stands twice."""

import re
import tomllib
from datetime import date
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ANALYTICS = ROOT / "analytics"
VOCABULARIES = ROOT / "schemas" / "vocabularies"
LOADING = (ROOT / "schemas" / "src" / "vocabulary" / "loading.rs").read_text()
ENGINE = (ANALYTICS / "src" / "engine.rs").read_text()
RUST_TEXT = r'"((?:[^"\\]|\\.)*)"'


def constant(text, name):
    """The texts in a list that Rust code holds as a constant."""
    return re.findall(r'"([a-z_]+)"', re.search(rf"const {name}\b[^=]*=(.*?);\n", text, re.DOTALL)[1])


STORE_TABLES = constant(ENGINE, "STORE_TABLES")
PREPARED = constant(ENGINE, "PREPARED")[1:]
PREPARED_FOR_BUSINESS = constant(ENGINE, "PREPARED_FOR_BUSINESS")[1:]


def sql_file(folder, name):
    return (ANALYTICS / "sql" / folder / f"{name}.sql").read_text()


def written_in_rust(text):
    """Texts of Rust code, as the program sees them."""
    return [found.replace('\\"', '"') for found in re.findall(RUST_TEXT, text)]


def created_in_rust():
    """The tables that engine.rs creates itself, by name."""
    statements = [part.strip() for text in written_in_rust(ENGINE) if text.startswith("CREATE TABLE ") for part in text.split(";")]
    return {statement.split()[2]: statement for statement in statements if statement and "{" not in statement}


CREATED = created_in_rust()


def literal(value):
    if value is None:
        return "NULL"
    if isinstance(value, str):
        return "'" + value.replace("'", "''") + "'"
    if isinstance(value, date):
        return f"DATE '{value}'"
    return str(value).upper() if isinstance(value, bool) else str(value)


def insert(table, rows):
    return f"INSERT INTO {table} VALUES " + ", ".join(f"({', '.join(map(literal, row))})" for row in rows)


def vocabulary_entries(name, *within):
    """A list of the vocabulary. An entry of a known key adds to that entry's lists and tables and replaces its single values."""
    merged = {}
    for file in re.findall(r'"(\w+\.toml)"', re.search(r"const EMBEDDED.*?\];", LOADING, re.DOTALL)[0]):
        for entry in tomllib.loads((VOCABULARIES / file).read_text()).get(name, []):
            merge(merged.setdefault(tuple(entry[part] for part in ("key", *within)), {}), entry)
    return list(merged.values())


def merge(old, new):
    for name, value in new.items():
        if isinstance(value, list):
            old[name] = [*old.get(name, []), *(entry for entry in value if entry not in old.get(name, []))]
        elif isinstance(value, dict):
            merge(old.setdefault(name, {}), value)
        else:
            old[name] = value


def vocabulary_rows():
    """Rows of the tables that engine.rs fills from the vocabulary."""
    edges = [float(edge) for edge in re.findall(r"\d+\.\d+", re.search(r"AGE_BAND_EDGES_YEARS[^=]*=(.*?);", ENGINE)[1])]
    laws = {category["key"]: category.get("law") for category in vocabulary_entries("category")}
    classes = {(entry["law"], entry["key"]): entry for entry in vocabulary_entries("statutory_class", "law")}
    rows = {"age_band": list(zip(edges, [*edges[1:], None])), "component_of": [], "sealed_component": [], "statutory_part": []}
    for component in vocabulary_entries("component"):
        key, sealed = component["key"], component.get("sealed_inside")
        for category in component.get("categories", []):
            rows["component_of"].append((category, key, *name_and_value(component.get("trait"))))
            law = laws[category]
            if found := classes.get((law, component.get("statutory_class", {}).get(law))):
                whom = (law, found["key"], found["audience"])
                terms = (found["years_after_last_placed_on_market"], found["delivery_working_days"], date.fromisoformat(found["applies_from"]))
                rows["statutory_part"].append((category, key, *whom, *terms))
            if sealed:
                rows["sealed_component"].append((category, key, *name_and_value(sealed), component.get("assembly")))
    return rows


def name_and_value(condition):
    return [side.strip() for side in condition.split("=", 1)] if condition else [None, None]


def business_row():
    """The default settings of the business, in the columns that engine.rs gives its table."""
    settings = {key: value for section in tomllib.loads((ANALYTICS / "business.toml").read_text()).values() for key, value in section.items()}
    return [settings[column] for column in re.findall(r"(\w+) (?:DOUBLE|BOOLEAN)", CREATED["business"])]


def preparation(as_of):
    """Tables in the order in which they are built, each with the statements that build it and their parameters."""
    cut_off = next(text for text in written_in_rust(ENGINE) if text.startswith("INSERT INTO cut_off "))
    yield "cut_off", [(CREATED["cut_off"], []), (cut_off, [as_of])]
    rows = vocabulary_rows()
    for table, statement in CREATED.items():
        if table in rows:
            yield table, [(statement, []), (insert(table, rows[table]), [])]
        elif table not in ("cut_off", "money_of_account", "business"):
            yield table, [(statement, [])]
    after = re.search(r'if \*name == "(\w+)" \{\s*engine\.add_money_of_account', ENGINE)[1]
    for table in PREPARED:
        yield table, [(f"CREATE TABLE {table} AS {sql_file('prepare', table)}", [])]
        if table == after:
            yield "money_of_account", [(CREATED["money_of_account"], [])]
    yield "business", [(CREATED["business"], []), (insert("business", [business_row()]), [])]
    for table in PREPARED_FOR_BUSINESS:
        yield table, [(f"CREATE TABLE {table} AS {sql_file('prepare', table)}", [])]


def parameters(values_of):
    """By evidence file, the parameters of each run as the Rust code gives them. `values_of` asks a column of a prepared table."""
    stock_list = (ANALYTICS / "src" / "tables" / "stock_list.rs").read_text()
    return {
        "life_corrections": [[None]] + [[component] for component in values_of("leaf_component", "component")],
        "stock_needs": [[int(months)] for months in re.findall(r"read_families\(engine, (\d+)\)", stock_list)],
        **{name: [[0], [12]] for name in ("take_on_recalls", "take_on_recall_costs", "quote_costs", "quote_outcomes")},
    }


def evidence(values_of):
    """Every evidence statement by name, with the parameters of each run."""
    runs_of = parameters(values_of)
    for file in sorted((ANALYTICS / "sql" / "evidence").glob("*.sql")):
        yield file.stem, file.read_text(), runs_of.get(file.stem, [[]])
    yield "about", (ANALYTICS / "sql" / "about.sql").read_text(), [[]]
    # Queries over the store alone, which see its tables under other names, stand in these two.
    others = {"query.rs", "open_repair.rs"}
    for file in sorted((ANALYTICS / "src").rglob("*.rs")):
        selects = [text for text in written_in_rust(file.read_text()) if text.startswith("SELECT ") and file.name not in others]
        for position, select in enumerate(selects, start=1):
            yield f"{file.stem}.rs {position}", select, [[]]
