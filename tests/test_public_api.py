"""The public surface is complete, sorted and documented."""

import importlib
import inspect
from pathlib import Path

import pytest

import generator
import generator.errors

PACKAGE = Path(generator.__file__).parent


def test_all_is_sorted_and_every_name_loads():
    assert generator.__all__ == sorted(generator.__all__)
    for name in generator.__all__:
        assert getattr(generator, name).__doc__, name


def test_every_exception_is_public_and_has_its_place_in_the_tree():
    for name in generator.errors.__all__:
        thing = getattr(generator.errors, name)
        if inspect.isclass(thing) and issubclass(thing, Exception):
            assert name in generator.__all__
            assert name in generator.errors.__doc__
            assert thing.exit_code in (1, 2)


def test_an_unknown_name_is_refused():
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        generator.nothing  # noqa: B018


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE))
)
def test_each_module_exports_what_it_defines_and_documents_it(path):
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    name = ".".join(part for part in parts if part != "__init__")
    module = importlib.import_module(name)
    if not path.read_text(encoding="utf-8").strip():
        return
    assert module.__doc__, f"{name} says nothing of its idea"
    for public in getattr(module, "__all__", ()):
        thing = getattr(module, public)
        if inspect.isfunction(thing) or inspect.isclass(thing):
            assert thing.__doc__, f"{name}.{public}"
