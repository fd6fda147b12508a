"""Read a table of a style file into its record, and tell every fault with its place.

A record is a frozen dataclass whose annotations say what holds: `str`, `int`, `float`, `bool`,
`Literal`, `tuple`, `dict`, other records, and `| None` behind any of them. `Annotated` adds rules:
functions that raise ValueError for a value. What fields must agree on is the record's own
``__post_init__``, which raises ValueError, too. A field `from_` stands for the key `from`.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import MISSING, fields
from functools import partial
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, TypeVar, Union, get_args, get_origin

__all__ = [
    "Fault",
    "Place",
    "TableError",
    "more_than",
    "not_empty",
    "other_keys",
    "read_table",
    "table_keys",
    "within",
]

RecordT = TypeVar("RecordT")

Place = tuple[str | int, ...]
"""The keys, and in arrays the indices from 0, that lead to a value."""

SCALARS = {str: "text", int: "a whole number", float: "a number", bool: "true or false"}
WHOLE_NUMBER_BITS = 64  # as TOML has them


class Fault(NamedTuple):
    """What does not hold, and where."""

    place: Place
    message: str


class TableError(Exception):
    """A table does not hold; `faults` are all that is wrong with it."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("; ".join(f"{fault.place}: {fault.message}" for fault in faults))
        self.faults = faults


def read_table(record: type[RecordT], table: object) -> RecordT:
    """Return the record of a table, as `tomllib` reads one.

    Raises
    ------
    TableError
        With every fault of the table and of what is in it.
    """
    reader = _Reader()
    found: RecordT = reader.table(record, table, ())
    if reader.faults:
        raise TableError(tuple(reader.faults))
    return found


def table_keys(record: Any) -> tuple[str, ...]:
    """Return the keys that a table of a record may have, other than those it gathers."""
    return tuple(one.name.removesuffix("_") for one in fields(record) if not _gathers(one))


def other_keys(names: Collection[str], takes: Callable[[str], bool]) -> dict[str, Any]:
    """Return the metadata of a field (a `dict`) that gathers keys beside a record's own.

    It takes those for which `takes` is true; `names` are what a misspelt key may have meant.
    """
    return {"gathers": (names, takes)}


def within(low: float, high: float) -> Callable[[float], None]:
    """Return the rule that a number lies between two bounds or on one of them."""

    def check(value: float) -> None:
        if not low <= value <= high:
            raise ValueError(f"must be {low} to {high}, got {value:g}")

    return check


def more_than(low: float) -> Callable[[float], None]:
    """Return the rule that a number lies above a bound."""

    def check(value: float) -> None:
        if not value > low:
            raise ValueError(f"must be more than {low}, got {value:g}")

    return check


def not_empty(value: Collection[Any]) -> None:
    """Be the rule that there is something in a text or a list."""
    if not value:
        raise ValueError("must not be empty")


def _gathers(one: Any) -> Any:
    return one.metadata.get("gathers")


class _Reader:
    """Reads values by their kind. What it returns for one that does not hold is of no use."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def table(self, record: Any, table: object, place: Place) -> Any:
        if not isinstance(table, Mapping):
            return self._wrong(place, "must be a table", table)
        n_faults = len(self.faults)
        found: dict[str, Any] = {}
        known = table_keys(record)
        rest = {key: value for key, value in table.items() if key not in known}
        suggested = [*known]
        for one in fields(record):
            key = one.name.removesuffix("_")
            if _gathers(one):
                names, takes = _gathers(one)
                gathered = {key: rest.pop(key) for key in tuple(rest) if takes(key)}
                found[one.name] = self.read(one.type, gathered, place)
                suggested += names
            elif key in table:
                found[one.name] = self.read(one.type, table[key], (*place, key))
            elif one.default is MISSING and one.default_factory is MISSING:
                self._wrong((*place, key), "is missing; add it")
        for key in rest:
            import difflib  # here, since a good style never needs it

            close = difflib.get_close_matches(key, suggested, n=1)
            hint = f"did you mean {close[0]}?" if close else "delete it"
            self._wrong((*place, key), f"unknown key; {hint}")
        if len(self.faults) == n_faults:
            return self._checked(place, partial(record, **found))
        return None

    def read(self, kind: Any, value: Any, place: Place) -> Any:
        origin, parts = get_origin(kind), get_args(kind)
        if origin is None:
            return (self._scalar if kind in SCALARS else self.table)(kind, value, place)
        if origin in (Union, UnionType):  # with None, which a TOML file cannot say
            return self.read(parts[0], value, place)
        if origin is Annotated:
            return self._ruled(parts[0], parts[1:], value, place)
        if origin is Literal:
            return self._choice(parts, value, place)
        if origin is tuple:
            return self._items(parts, value, place)
        return self._entries(parts, value, place)

    def _scalar(self, kind: type, value: Any, place: Place) -> Any:
        if kind is float and type(value) is int and value.bit_length() < WHOLE_NUMBER_BITS:
            return float(value)
        if type(value) is not kind:
            self._wrong(place, f"must be {SCALARS[kind]}", value)
        return value

    def _ruled(self, kind: Any, rules: Any, value: Any, place: Place) -> Any:
        n_faults = len(self.faults)
        found = self.read(kind, value, place)
        if len(self.faults) == n_faults:
            for rule in rules:
                self._checked(place, partial(rule, found))
        return found

    def _choice(self, choices: tuple[Any, ...], value: Any, place: Place) -> Any:
        if not any(value == choice and type(value) is type(choice) for choice in choices):
            *others, last = map(repr, choices)
            self._wrong(place, f"must be {', '.join(others)} or {last}", value)
        return value

    def _items(self, kinds: tuple[Any, ...], value: Any, place: Place) -> Any:
        if not isinstance(value, list):
            return self._wrong(place, "must be a list", value)
        if kinds[-1] is Ellipsis:
            kinds = (kinds[0],) * len(value)
        if len(kinds) != len(value):
            return self._wrong(place, f"must be a list of {len(kinds)}, got {len(value)}")
        together = enumerate(zip(kinds, value, strict=True))
        return tuple(self.read(kind, item, (*place, i)) for i, (kind, item) in together)

    def _entries(self, kinds: tuple[Any, ...], value: Any, place: Place) -> Any:
        if not isinstance(value, Mapping):
            return self._wrong(place, "must be a table", value)
        key_kind, kind = kinds
        return {
            self.read(key_kind, key, (*place, key)): self.read(kind, item, (*place, key))
            for key, item in value.items()
        }

    def _checked(self, place: Place, make: Callable[[], Any]) -> Any:
        try:
            return make()
        except ValueError as error:
            return self._wrong(place, str(error))

    def _wrong(self, place: Place, message: str, value: object = None) -> None:
        got = f", got {value!r}" if isinstance(value, str | int | float) else ""
        self.faults.append(Fault(place, message + got))
