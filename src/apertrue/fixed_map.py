"""A mapping that can't be changed, and that walks between processes: what frozen dataclasses hold for a dict."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, TypeVar

__all__ = ["FixedMap"]

K = TypeVar("K")
V = TypeVar("V", covariant=True)


class FixedMap(Mapping[K, V]):
    """A read-only copy of a mapping; equal to any mapping with the same items.

    ``types.MappingProxyType`` would do, but it can't be pickled, so that nothing that holds one reaches a worker.
    """

    __slots__ = ("_items",)

    def __init__(self, items: Mapping[K, V] | Iterable[tuple[K, V]] = ()) -> None:
        self._items: dict[K, V] = dict(items)

    def __getitem__(self, key: K) -> V:
        return self._items[key]

    def __iter__(self) -> Iterator[K]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __repr__(self) -> str:
        return repr(self._items)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self._items,)
