"""Whether two tables hold the same rows: whole numbers, texts, dates and flags equal, fractions to a relative 1e-9, in any order."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

TOLERANCE = 1e-9
WHOLE, FRACTION, OTHER = "whole number", "fraction", "other"


def kind(column_type):
    if pa.types.is_integer(column_type) or (pa.types.is_decimal(column_type) and column_type.scale == 0):
        return WHOLE
    return FRACTION if pa.types.is_floating(column_type) or pa.types.is_decimal(column_type) else OTHER


def plain(column, as_fractions):
    """A column in the one type that both sides are compared in."""
    if as_fractions:
        return column.cast(pa.float64(), safe=False)
    if kind(column.type) == WHOLE:
        return column.cast(pa.decimal128(38, 0))
    return column.cast(pa.string()) if pa.types.is_large_string(column.type) else column


def sorted_rows(table, fractions):
    """Rows in an order that a difference below the tolerance hardly changes: by fractions last, and those in nine digits."""
    keys = {name: column for name, column in zip(table.column_names, table.columns) if name not in fractions}
    keys |= {name: pa.array([None if value is None else f"{value:.8e}" for value in table[name].to_pylist()]) for name in fractions}
    order = pc.sort_indices(pa.table(keys), sort_keys=[(name, "ascending") for name in keys])
    return table.take(order)


def unequal(left, right):
    """Positions at which two columns differ."""
    both_null = np.asarray(pc.and_(left.is_null(), right.is_null()))
    if left.type == pa.float64():
        a, b = (column.to_numpy(zero_copy_only=False) for column in (left, right))
        with np.errstate(invalid="ignore"):
            equal = (a == b) | (np.abs(a - b) <= TOLERANCE * np.maximum(np.abs(a), np.abs(b)))
        equal &= ~np.asarray(pc.or_(left.is_null(), right.is_null()))
    else:
        equal = np.asarray(pc.fill_null(pc.equal(left, right), False))
    return np.flatnonzero(~(both_null | equal))


def named(table):
    """Columns that a statement does not name are called by their position: each engine calls them as it likes."""
    return table.rename_columns([name if name.isidentifier() else f"column {place}" for place, name in enumerate(table.column_names)])


def first_difference(expected, found):
    for name in expected.column_names:
        where = unequal(expected[name].combine_chunks(), found[name].combine_chunks())
        if len(where) > 0:
            [left, right] = (side.slice(where[0], 1).to_pylist()[0] for side in (expected, found))
            return f"{name}: {len(where)} rows differ, first {left[name]!r} against {right[name]!r} in {left} against {right}"
    return None


def difference(expected, found, in_order=False):
    """What differs first, in words; none where the tables are equal. `in_order` asks for the same order of rows too."""
    expected, found = named(expected), named(found)
    names = expected.column_names
    if names != found.column_names:
        return f"columns {names} against {found.column_names}"
    if len(set(names)) < len(names):
        return f"two columns of one name in {names}"
    fractions = [name for name in names if FRACTION in (kind(expected[name].type), kind(found[name].type))]
    expected, found = (pa.table({name: plain(side[name], name in fractions) for name in names}) for side in (expected, found))
    for name in names:
        if expected[name].type != found[name].type:
            return f"{name}: {expected[name].type} against {found[name].type}"
    if expected.num_rows != found.num_rows:
        return f"{expected.num_rows} rows against {found.num_rows}"
    if first_difference(expected, found) is None:
        return None
    differs = first_difference(*(sorted_rows(side, fractions) for side in (expected, found)))
    return differs or ("the same rows in another order" if in_order else None)
