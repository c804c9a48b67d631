"""Times one general-purpose G-code reading library over standard input; prints its CPU seconds and the lines read.

Run by run.py in whatever Python has the library: ``python libraries.py pygcode|gcodeparser``.
"""

import importlib
import sys
import time
import warnings

warnings.simplefilter("ignore")  # what these libraries say of themselves is not measured


def main() -> int:
    name = sys.argv[1]
    library = importlib.import_module(name)
    text = sys.stdin.read()
    lines = text.splitlines()
    if name == "pygcode":
        begin = time.process_time()
        count = sum(1 for line in lines if library.Line(line) is not None)
    else:
        begin = time.process_time()
        count = len(library.GcodeParser(text, include_comments=False).lines)
    print(f"{time.process_time() - begin:.6f} {count}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
