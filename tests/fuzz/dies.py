"""Stands in for films.py: its second film kills the process."""

import json
import os
import signal
import sys

first, count = (int(sys.argv[sys.argv.index(word) + 1]) for word in ("--start", "--count"))
for number in range(first, first + count):
    if number == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    print(json.dumps({"number": number, "seed": "", "s": 0.0, "film": True, "faults": []}), flush=True)
