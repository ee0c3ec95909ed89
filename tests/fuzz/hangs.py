"""Stands in for films.py: its second film hangs the process."""

import json
import sys
import time

first, count = (int(sys.argv[sys.argv.index(word) + 1]) for word in ("--start", "--count"))
for number in range(first, first + count):
    if number == 1:
        time.sleep(1000.0)
    print(json.dumps({"number": number, "seed": "", "s": 0.0, "film": True, "faults": []}), flush=True)
