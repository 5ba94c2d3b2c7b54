"""Runs the SQL between store and estimators on the embedded database and on Apache Spark, and holds every table of one against the other.

usage: portability.py STORE [--master URL] [--memory 3g] [--scratch FOLDER] [--rough] [--without RULE] [--fail-fast]

Both read the same Parquet files. Prints a line a table; ends with 1 where any differs or cannot be built. Where the store has evidence, the
embedded side is first held against counts in it, so that what is compared is what the program built.
"""

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path

import statements
from comparison import difference
from engines import Embedded, Spark
from meanings import MEANINGS
from rough_records import roughen
from spark_dialect import ALL_RULES

# Two tables come from estimators, not from SQL. What reads them is asked with these stand-ins: some pounds for each leaf's recalls, and parts that grow dearer
# by 3 % a year, both as known at the cut-off and a year before.
STAND_INS = {
    "recall_provision": """CREATE TABLE recall_provision AS
        SELECT m.months, l.leaf, CAST(200 + 10 * (l.leaf % 7) AS BIGINT) AS hundredths
        FROM leaf AS l
        CROSS JOIN (SELECT 0 AS months UNION ALL SELECT 12) AS m""",
    "parts_drift": """CREATE TABLE parts_drift AS
        SELECT 0 AS months, CAST(1.03 AS DOUBLE) AS factor_per_year
        UNION ALL SELECT 12, CAST(1.03 AS DOUBLE)""",
}


# Counts that evidence tables take over from a statement as they are, by evidence table: the statement and the columns of both.
# Together they rest on the roster, the vocabulary's components, seals and laws, the catalogue and the cut-off.
KEPT_IN_EVIDENCE = {
    "failure_rate": ("failure_rate_exposure", "component, age_from_years, machine_years, machines, machines_trait_unknown"),
    "outcome": ("outcome_events", "outcome, not_repaired_reason, events, machines"),
    "part_supply": ("part_supply_counts", "part_source, period, statistic, orders, orders_open, events, machines"),
    "cascade": ("cascade_counts", "component, consequential_component, jobs, events"),
}


class Bench:
    """Both engines, how long each took, and what differed."""

    def __init__(self, embedded, spark, fail_fast):
        self.engines, self.fail_fast = (embedded, spark), fail_fast
        self.seconds, self.compared, self.differing = [0.0, 0.0], 0, []

    def timed(self, work):
        """What both engines give; an error of the second counts as its answer."""
        answers = []
        for position, engine in enumerate(self.engines):
            started = time.perf_counter()
            try:
                answers.append(work(engine))
            except Exception as error:
                if position == 0:
                    raise
                answers.append(error)
            self.seconds[position] += time.perf_counter() - started
        return answers

    def compare(self, label, runs, in_order=False):
        """Runs are pairs of tables that must be equal."""
        found = None
        rows = 0
        for expected, given in runs:
            rows += expected.num_rows
            found = found or (first_line(given) if isinstance(given, Exception) else difference(expected, given, in_order))
        self.compared += 1
        print(f"{label:<42} {rows:>9} rows  {f'DIFFERS: {found}' if found else 'equal'}", flush=True)
        if found:
            self.differing.append(label)
            if self.fail_fast:
                raise Differs

    def build(self, table, steps):
        def work(engine):
            for statement, parameters in steps:
                engine.run(statement, parameters)
            return engine.rows(f"SELECT * FROM {table}", [])

        self.compare(table, [self.timed(work)])

    def ask(self, name, select, runs):
        label = name if len(runs) == 1 else f"{name}, {len(runs)} parameters"
        answers = (self.timed(lambda engine: engine.rows(select, parameters)) for parameters in runs)
        self.compare(label, answers, in_order="ORDER BY" in select)


class Differs(Exception):
    pass


def first_line(error):
    return f"{type(error).__name__}: {str(error).strip().splitlines()[0]}"


def current_snapshot(store):
    """`current` is a link, or a file that holds the relative path."""
    link = store / "current"
    snapshot = store / link.read_text().strip() if link.is_file() else link.resolve(strict=True)
    return snapshot.resolve()


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("store", type=Path)
    arguments.add_argument("--master", default="local[2]", help="where Spark runs")
    arguments.add_argument("--memory", default="3g", help="memory of Spark's driver")
    arguments.add_argument("--scratch", type=Path, help="folder for Spark's prepared tables, which every machine of a cluster must see")
    arguments.add_argument("--rough", action="store_true", help="take values out of the records first, so that there are nulls everywhere")
    arguments.add_argument("--without", action="append", default=[], choices=ALL_RULES, help="leave a rule of the dialect out")
    arguments.add_argument("--fail-fast", action="store_true", help="end at the first table that differs")
    given = arguments.parse_args()
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    with tempfile.TemporaryDirectory(dir=given.scratch) as scratch:
        bench = Bench(Embedded(), Spark(given.master, given.memory, scratch, given.without), given.fail_fast)
        try:
            store = given.store.resolve()
            if given.rough:
                compare_all(bench, roughen(current_snapshot(store), Path(scratch) / "rough"), None)
            else:
                evidence = store / "evidence" / "current"
                compare_all(bench, current_snapshot(store), evidence if evidence.exists() else None)
        except Differs:
            pass
        finally:
            bench.engines[1].session.stop()
    for engine, seconds in zip(bench.engines, bench.seconds):
        print(f"{engine.name}: {seconds:.1f} s")
    print(f"{bench.compared} tables and statements compared, {len(bench.differing)} differ")
    return 1 if bench.differing else 0


def compare_all(bench, snapshot, evidence):
    embedded = bench.engines[0]
    as_of = json.loads((evidence / "about.json").read_text())["as_of"] if evidence else None
    for engine in bench.engines:
        engine.open(snapshot)
    for name, select in MEANINGS.items():
        bench.ask(name, select, [[]])
    for table, steps in statements.preparation(as_of):
        bench.build(table, steps)
    if evidence:
        for table, (name, columns) in KEPT_IN_EVIDENCE.items():
            bench.compare(f"evidence {table}", [counts_in_evidence(embedded, evidence / f"{table}.parquet", name, columns)])
    for table, statement in STAND_INS.items():
        bench.build(table, [(statement, [])])
    values_of = lambda table, column: embedded.rows(f"SELECT DISTINCT {column} FROM {table} ORDER BY 1", [])[column].to_pylist()
    for name, select, runs in statements.evidence(values_of):
        bench.ask(name, select, runs)


def counts_in_evidence(embedded, file, name, columns):
    """What the program wrote into an evidence table, and what the embedded side makes of the same statement."""
    counts = f"(SELECT n.scope_level, n.scope, c.* FROM ({statements.sql_file('evidence', name)}) AS c JOIN scope AS n USING (scope_id))"
    only = f"WHERE statistic IN (SELECT statistic FROM {counts})" if "statistic" in columns else ""
    sources = (f"read_parquet({statements.literal(str(file))}) {only}", counts)
    return [embedded.rows(f"SELECT scope_level, scope, {columns} FROM {source}", []) for source in sources]


if __name__ == "__main__":
    sys.exit(main())
