"""Methods that are written once and are a plain one of the client, and one to be awaited of the async client.

A method of a surface returns a flow. `one` makes of it a method that gives what comes of it, `many` one that gives an iterator; which of
both forms it has is told by the driver of the object that it is called on, for a type checker too.
"""

from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from functools import wraps
from types import MethodType
from typing import Any, Concatenate, Generic, Never, ParamSpec, Self, TypeVar, overload

from fieldworthy.client.calls import Caller
from fieldworthy.client.drivers import Async, Sync
from fieldworthy.client.steps import Flow

D = TypeVar("D", bound=Sync | Async)
P = ParamSpec("P")
T = TypeVar("T")
Y = TypeVar("Y")


class Bound(Generic[D]):
    """What has a driver, which does what its methods say, and a caller, which knows where and how."""

    def __init__(self, driver: D, caller: Caller) -> None:
        self._driver: D = driver
        self._caller = caller


class one(Generic[P, T]):  # noqa: N801  # it is written as a decorator
    """A method that gives one thing."""

    def __init__(self, flow: Callable[Concatenate[Any, P], Flow[Never, T]]) -> None:  # Any: whatever it is a method of
        self._flow = flow
        self.__doc__ = flow.__doc__

    @overload
    def __get__(self, at: None, owner: type[object]) -> Self: ...
    @overload
    def __get__(self, at: Bound[Sync], owner: type[object]) -> Callable[P, T]: ...
    @overload
    def __get__(self, at: Bound[Async], owner: type[object]) -> Callable[P, Coroutine[Any, Any, T]]: ...
    def __get__(self, at: Bound[Sync] | Bound[Async] | None, owner: type[object]) -> object:
        return self if at is None else _method(at._driver.run, self._flow, at)


class many(Generic[P, Y]):  # noqa: N801
    """A method that gives one thing after another."""

    def __init__(self, flow: Callable[Concatenate[Any, P], Flow[Y, None]]) -> None:
        self._flow = flow
        self.__doc__ = flow.__doc__

    @overload
    def __get__(self, at: None, owner: type[object]) -> Self: ...
    @overload
    def __get__(self, at: Bound[Sync], owner: type[object]) -> Callable[P, Iterator[Y]]: ...
    @overload
    def __get__(self, at: Bound[Async], owner: type[object]) -> Callable[P, AsyncIterator[Y]]: ...
    def __get__(self, at: Bound[Sync] | Bound[Async] | None, owner: type[object]) -> object:
        return self if at is None else _method(at._driver.each, self._flow, at)


def _method(drive: Callable[[Any], object], flow: Callable[..., object], at: object) -> Callable[..., object]:
    bound = MethodType(flow, at)

    @wraps(bound)
    def method(*args: object, **named: object) -> object:
        return drive(bound(*args, **named))

    return method
