"""Run work in several processes, which end with the command."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
from collections import deque
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Generic, TypeVar

from meter.children import end_with_parent, start_child

Item = TypeVar("Item")
Found = TypeVar("Found")

FOUND, FAILED, DONE = range(3)
ENDED = "its process was ended from outside"


def work_through(
    work: Callable[[Item], Iterable[Found]],
    items: Sequence[Item],
    failed: Callable[[Item, str], Found],
    most: int | None = None,
) -> Generator[Found, None, None]:
    """Yield the results of ``work`` for each item, in the order of the items, each as early as possible.

    At most ``most`` processes (default: one for each core) run at once. ``failed`` makes the last result of an item
    from the reason why its work ended early. Closing the generator ends the processes at once.
    """
    crew: _Crew[Item, Found] = _Crew(work, items, failed, most or os.cpu_count() or 1)
    try:
        for number in range(len(items)):
            while crew.found[number] or number not in crew.done:
                if crew.found[number]:
                    yield crew.found[number].popleft()
                else:
                    crew.turn()
    finally:
        crew.end()


class _Crew(Generic[Item, Found]):
    """The processes and their results: ``found`` by number of the item, ``done`` the finished numbers."""

    def __init__(
        self,
        work: Callable[[Item], Iterable[Found]],
        items: Sequence[Item],
        failed: Callable[[Item, str], Found],
        most: int,
    ) -> None:
        self._work = work
        self._items = items
        self._failed = failed
        self._most = min(most, len(items))
        self._waiting = deque(range(len(items)))
        self._hands: list[_Hand] = []
        self.found: list[deque[Found]] = [deque() for _ in items]
        self.done: set[int] = set()

    def turn(self) -> None:
        """Hand out waiting items, then wait for results and store them."""
        while self._waiting and (hand := self._free_hand()) is not None:
            hand.number = self._waiting.popleft()
            with suppress(OSError):  # a dead process is noticed at the answer
                hand.pipe.send(self._items[hand.number])
        busy = {hand.pipe: hand for hand in self._hands if hand.number is not None}
        for pipe in multiprocessing.connection.wait(list(busy)):
            self._take(busy[pipe])  # type: ignore[index]  # these are the pipes of the list

    def _free_hand(self) -> _Hand | None:
        free = next((hand for hand in self._hands if hand.number is None), None)
        if free is None and len(self._hands) < self._most:
            free = _Hand(self._work)
            self._hands.append(free)
        return free

    def _take(self, hand: _Hand) -> None:
        assert hand.number is not None
        try:
            what, value = hand.pipe.recv()
        except (EOFError, OSError):
            what, value = FAILED, ENDED
            self._hands.remove(hand)
            hand.end()
        if what == FOUND:
            self.found[hand.number].append(value)
            return
        if what == FAILED:
            self.found[hand.number].append(self._failed(self._items[hand.number], value))
        self.done.add(hand.number)
        hand.number = None

    def end(self) -> None:
        """Kill every process."""
        for hand in self._hands:
            hand.end()


class _Hand:
    """Parent side of one process; ``number`` is that of its item, None while it is idle."""

    def __init__(self, work: Callable[[Item], Iterable[Found]]) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self.number: int | None = None
        self._process = context.Process(target=_work, args=(theirs, work), daemon=True)
        start_child(self._process)
        theirs.close()

    def end(self) -> None:
        """Kill the process; may be called twice."""
        self._process.kill()
        self._process.join()
        self.pipe.close()


def _work(pipe: Connection, work: Callable[[Item], Iterable[Found]]) -> None:
    """Main function of a process: receives items and sends results until the pipe closes."""
    end_with_parent()
    with suppress(EOFError, OSError):
        while True:
            item = pipe.recv()
            try:
                for found in work(item):
                    pipe.send((FOUND, found))
            except Exception as error:  # one bad item must not end the others
                pipe.send((FAILED, f"{type(error).__name__}: {error}"))
            else:
                pipe.send((DONE, None))
