"""Work for other processes, which must find it by its name: some of it ends its worker."""

import os
import signal
import time


def squared(number: int) -> int:
    time.sleep(0.02)
    return number * number


def deadly(number: int) -> int:
    """End the worker on 7, always."""
    if number == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return squared(number)


def deadly_once(item: tuple[int, str]) -> int:
    """End the worker the first time that somebody comes by 7."""
    number, mark = item
    if number == 7:
        try:
            os.close(os.open(mark, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return squared(number)
        os.kill(os.getpid(), signal.SIGKILL)
    return squared(number)
