"""The one place where the SQL of the embedded database becomes that of Apache Spark (4.0 or later, ANSI mode, time zone UTC).

sqlglot translates what both have under different names: where nulls stand in an order, `//`, `date_diff`, `IS NOT DISTINCT FROM`,
`string_agg`, `unnest`, `EXCLUDE`, `VARCHAR`. RULES are the rest: constructs that sqlglot passes on although Spark does not
know them, or knows them with another meaning. One difference is left to the SQL: a cast of a fraction to a whole number rounds in one and
cuts off in the other, so every cast of what may be a fraction says round, floor or ceil inside.
"""

import sqlglot
from sqlglot import exp
from sqlglot.dialects import Spark


class DoubleLiterals(Spark):
    """Spark that writes fractions as doubles."""

    class Generator(Spark.Generator):
        def literal_sql(self, expression):
            written = super().literal_sql(expression)
            return f"{written}D" if not expression.is_string and "." in expression.this else written


def huge_integers(node):
    """HUGEINT, 128 bits; Spark's widest whole number has 38 digits."""
    if isinstance(node, exp.DataType) and node.this == exp.DataType.Type.INT128:
        return exp.DataType.build("DECIMAL(38, 0)")
    return node


def quantiles(node):
    """quantile_cont(x, p) interpolates between values; Spark calls that percentile."""
    if isinstance(node, exp.PercentileCont):
        return exp.Anonymous(this="percentile", expressions=[node.this, node.expression])
    return node


def ordered_modes(node):
    """mode(x ORDER BY x): of values that are equally frequent, the first in that order."""
    if isinstance(node, exp.Mode) and isinstance(node.this, exp.Order):
        return exp.WithinGroup(this=exp.Anonymous(this="mode"), expression=exp.Order(expressions=node.this.expressions))
    return node


def lateral_values(node):
    """A list of values made of columns of the same row; Spark takes it as an array of structures."""
    if not (isinstance(node, exp.Lateral) and isinstance(node.this.unnest(), exp.Values)):
        return node
    alias = node.args.get("alias") or node.this.args["alias"]
    names = [column.name for column in alias.columns]
    rows = [
        exp.Anonymous(
            this="named_struct",
            expressions=[part for name, value in zip(names, row.expressions) for part in (exp.Literal.string(name), value)],
        )
        for row in node.this.unnest().expressions
    ]
    inline = exp.Anonymous(this="inline", expressions=[exp.Anonymous(this="array", expressions=rows)])
    return exp.Lateral(this=inline, alias=alias)


def intervals(node):
    """to_months(n) and to_days(n)."""
    if isinstance(node, exp.Anonymous) and node.name.lower() == "to_months":
        return exp.Anonymous(this="make_ym_interval", expressions=[exp.Literal.number(0), *node.expressions])
    if isinstance(node, exp.ToDays):
        return exp.Anonymous(this="make_dt_interval", expressions=[node.this])
    return node


def replacements(node):
    """regexp_replace: groups are named $1, and every match is replaced, so that one match at most may be there where `g` is not given."""
    if not isinstance(node, exp.RegexpReplace):
        return node
    pattern, modifiers = node.expression.name, node.args.get("modifiers")
    if not (modifiers and "g" in modifiers.name) and not (pattern.endswith("$") or pattern.startswith("^")):
        raise ValueError(f"regexp_replace of the first match only has no like in Spark: {node.sql('duckdb')}")
    replacement = node.args["replacement"].name.replace("\\", "$")
    return exp.Anonymous(this="regexp_replace", expressions=[node.this, node.expression, exp.Literal.string(replacement)])


RULES = {rule.__name__: rule for rule in (huge_integers, quantiles, ordered_modes, lateral_values, intervals, replacements)}
LITERALS = "double_literals"
ALL_RULES = (LITERALS, *RULES)


def to_spark(statement, without=()):
    """The statement in Spark's words; `without` leaves rules out, to see that the comparison notices."""
    tree = sqlglot.parse_one(statement, read="duckdb")
    for name, rule in RULES.items():
        if name not in without:
            tree = tree.transform(rule)
    return tree.sql(dialect=Spark if LITERALS in without else DoubleLiterals, comments=False, unsupported_level=sqlglot.ErrorLevel.RAISE)
