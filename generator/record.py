"""Frozen, slotted dataclasses that take a sixth of the time to make.

The standard library compiles six methods for each class, most of half a millisecond of every start
(CPython 3.11; 3.13 compiles them at once). Here `__init__` alone is compiled, once for all records
with as many fields; the others are the same for every record and go by the names of its fields.
"""

from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields
from functools import cache
from operator import attrgetter
from types import CodeType, FunctionType
from typing import Any, TypeVar, dataclass_transform, overload

__all__ = ["record"]

_Class = TypeVar("_Class")
_put = object.__setattr__
_ABSENT = object()
"""What an argument is whose value a `default_factory` makes."""


@overload
def record(cls: type[_Class], /) -> type[_Class]: ...
@overload
def record(*, kw_only: bool = False) -> Callable[[type[_Class]], type[_Class]]: ...


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(
    cls: type[_Class] | None = None, /, *, kw_only: bool = False
) -> type[_Class] | Callable[[type[_Class]], type[_Class]]:
    """Make a class what `dataclass(frozen=True, slots=True)` makes of it.

    `field`, `fields`, `replace` and `asdict` of `dataclasses` serve records too. A method that the
    class has itself stays.

    Parameters
    ----------
    cls : type
        The class; given by the decorator's place above it.
    kw_only : bool
        True where all fields are given by their names.

    Examples
    --------
    >>> @record
    ... class Tone:
    ...     midi: int
    ...     name: str = ""
    >>> Tone(60) == Tone(midi=60), {Tone(60): "middle C"}[Tone(60)]
    (True, 'middle C')
    >>> Tone(60).midi = 61
    Traceback (most recent call last):
    dataclasses.FrozenInstanceError: cannot assign to field 'midi'
    """
    if cls is None:
        return lambda cls: _record(cls, kw_only)
    return _record(cls, kw_only)


def _record(cls: type[_Class], kw_only: bool) -> type[_Class]:
    own = vars(cls)
    made: Any = dataclass(init=False, repr=False, eq=False, slots=True, kw_only=kw_only)(cls)
    each = fields(made)
    methods = {
        "__init__": _initializer(made),
        "__repr__": _repr(tuple(one.name for one in each if one.repr)),
        "__getstate__": _getstate(tuple(one.name for one in each)),
        "__setstate__": _setstate,
        "__setattr__": _no_assignment,
        "__delattr__": _no_deletion,
    }
    if "__eq__" not in own:
        hashed = [one.compare if one.hash is None else one.hash for one in each]
        names = tuple(one.name for one, is_in in zip(each, hashed, strict=True) if is_in)
        methods["__eq__"] = _eq(tuple(one.name for one in each if one.compare))
        methods["__hash__"] = _hash(names)
    for name, method in methods.items():
        if name not in own:
            setattr(made, name, method)
    return made  # type: ignore[no-any-return]


def _initializer(cls: Any) -> Callable[..., None]:
    """Return the `__init__` that takes the fields as the standard library's does."""
    known: dict[str, Any] = {"_put": _put, "_ABSENT": _ABSENT}
    by_place, by_name, body = ["self"], ["*"], []
    defaults: list[Any] = []
    named_defaults: dict[str, Any] = {}
    names: dict[Any, str] = {}  # by what stands for them in what is compiled
    for number, one in enumerate(fields(cls)):
        name, value = f"field_{number}", f"value_{number}"
        names[name] = one.name
        is_made = one.default_factory is not MISSING
        default: Any = _ABSENT if is_made else one.default
        known[value] = one.default_factory if is_made else default
        if one.init:
            (by_name if one.kw_only else by_place).append(name)
            if default is not MISSING and one.kw_only:
                named_defaults[one.name] = default
            elif default is not MISSING:
                defaults.append(default)
            value = f"{value}() if {name} is _ABSENT else {name}" if is_made else name
        elif default is MISSING:
            continue  # for `__post_init__` to put
        elif is_made:
            value += "()"
        body.append(f" _put(self, {name!r}, {value})")
    if hasattr(cls, "__post_init__"):
        body.append(" self.__post_init__()")
    arguments = ", ".join(by_place + (by_name if len(by_name) > 1 else []))
    code = _compiled("\n".join([f"def __init__({arguments}):", *(body or [" pass"])]))
    code = code.replace(
        co_varnames=tuple(names.get(name, name) for name in code.co_varnames),
        co_consts=tuple(names.get(constant, constant) for constant in code.co_consts),
    )
    made = FunctionType(code, known, "__init__", tuple(defaults))
    made.__kwdefaults__ = named_defaults
    made.__module__, made.__qualname__ = cls.__module__, f"{cls.__qualname__}.__init__"
    made.__annotations__ = {one.name: one.type for one in fields(cls) if one.init} | {
        "return": None
    }
    return made


@cache
def _compiled(source: str) -> CodeType:
    """Return the code of the function `__init__` that is defined so."""
    known: dict[str, Any] = {}
    exec(source, known)
    code: CodeType = known["__init__"].__code__
    return code


def _values(names: tuple[str, ...]) -> Callable[[Any], tuple[Any, ...]]:
    """Return what takes the values of these fields out of a record."""
    if len(names) > 1:
        return attrgetter(*names)
    return lambda self: tuple(getattr(self, name) for name in names)


def _repr(names: tuple[str, ...]) -> Callable[[Any], str]:
    def __repr__(self: Any) -> str:  # noqa: N807
        values = ", ".join(f"{name}={getattr(self, name)!r}" for name in names)
        return f"{type(self).__qualname__}({values})"

    return __repr__


def _eq(names: tuple[str, ...]) -> Callable[[Any, object], bool]:
    values = _values(names)

    def __eq__(self: Any, other: object) -> bool:  # noqa: N807
        if type(self) is not type(other):
            return NotImplemented
        return values(self) == values(other)

    return __eq__


def _hash(names: tuple[str, ...]) -> Callable[[Any], int]:
    values = _values(names)

    def __hash__(self: Any) -> int:  # noqa: N807
        return hash(values(self))

    return __hash__


def _getstate(names: tuple[str, ...]) -> Callable[[Any], tuple[Any, ...]]:
    values = _values(names)
    return lambda self: values(self)  # `attrgetter` alone is not bound to the record


def _setstate(self: Any, values: tuple[Any, ...]) -> None:
    for one, value in zip(fields(self), values, strict=True):
        _put(self, one.name, value)


def _no_assignment(self: object, name: str, value: object) -> None:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _no_deletion(self: object, name: str) -> None:
    raise FrozenInstanceError(f"cannot delete field {name!r}")
