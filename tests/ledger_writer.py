"""A writer of its own process: notes weigh-ins through the Python door and says each one that was acknowledged.

python ledger_writer.py LEDGER NAME COUNT
"""

import sys

from gcodetool.ledger import writers
from gcodetool.ledger.store import open_ledger

if __name__ == "__main__":
    word, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
    ledger = open_ledger(word)
    for number in range(count):
        token = f"{name}-{number}"
        done = writers.weigh(ledger, "pa6-07", 900.0 + number / 10, note=token)
        sys.stdout.write(f"{token} {done.entries[0].number}\n")
        sys.stdout.flush()
