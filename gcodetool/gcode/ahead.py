"""An iterator's items made by a thread of its own, a few ahead of who takes them.

It pays where both sides let go of the interpreter's lock.  Left out: what the items are.
"""

import queue
import threading
from collections.abc import Iterator
from typing import Final, TypeVar

Item = TypeVar("Item")
END: Final = object()


def ahead(items: Iterator[Item], count: int) -> Iterator[Item]:
    """Yield *items* in order, at most *count* of them made ahead; what making one raises is raised here.

    Closing this iterator ends the thread before it returns.
    """
    free: queue.SimpleQueue[bool] = queue.SimpleQueue()
    made: queue.SimpleQueue[tuple[object, BaseException | None]] = queue.SimpleQueue()

    def work() -> None:
        try:
            while free.get():
                item = next(items, END)
                made.put((item, None))
                if item is END:
                    return
        except BaseException as error:  # for the taker to raise, whatever it is
            made.put((END, error))

    for _ in range(count):
        free.put(True)
    thread = threading.Thread(target=work, name="ahead", daemon=True)
    thread.start()
    try:
        while True:
            item, error = made.get()
            if error is not None:
                raise error
            if item is END:
                return
            yield item  # type: ignore[misc]  # END alone is none
            free.put(True)
    finally:
        free.put(False)
        thread.join()
