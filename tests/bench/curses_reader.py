"""The yardstick of the live bench: reads the same lines, draws the same values with curses, 20 times a second at most.

No checksum, no conversion, no recording: the least that a plain script would do.
"""
import curses
import json
import os
import select
import sys
import time


def main(screen):
    port = os.open(sys.argv[1], os.O_RDONLY | os.O_NONBLOCK)
    curses.curs_set(0)
    buffer, values, last = b"", {}, 0.0
    while True:
        select.select([port], [], [], 1.0)
        try:
            buffer += os.read(port, 65536)
        except BlockingIOError:
            continue
        *lines, buffer = buffer.split(b"\n")
        for line in lines:
            try:
                values = json.loads(line)
            except ValueError:
                continue
        now = time.monotonic()
        if lines and now - last >= 0.05:
            last = now
            for row, (name, value) in enumerate(values.items()):
                if row < 23:
                    screen.addstr(row, 0, f"{name:8} {value!s:60}")
            screen.refresh()


curses.wrapper(main)
