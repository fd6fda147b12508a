"""A thread that helps with a track, or none: then the same is done in turn."""

from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from typing import Any, TypeVar

__all__ = ["helper"]

_Result = TypeVar("_Result")


class _AtOnce(Executor):
    """Does what it is given before it takes more: no thread, and nothing to hand over."""

    def submit(
        self, task: Callable[..., _Result], /, *args: Any, **words: Any
    ) -> "Future[_Result]":
        done: Future[_Result] = Future()
        done.set_result(task(*args, **words))
        return done


def helper(jobs: int) -> Executor:
    """Return what does things in their order beside the rest; in turn where there is one job."""
    return ThreadPoolExecutor(1) if jobs > 1 else _AtOnce()
