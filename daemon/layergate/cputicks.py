"""A call for every second of CPU time that this process uses, in its main thread: so that a rule that never ends is stopped.

CPU time, not the wall clock: on a loaded board a good rule waits long and works little. Knows nothing of rules.
"""

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def cpu_ticks(look: Callable[[], None]) -> Iterator[None]:
    """Call ``look`` after every second of CPU time; what it raises is raised where the program is just then.

    Outside the main thread, and on systems without that timer, nothing is called.
    """
    if not hasattr(signal, "setitimer") or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGPROF, lambda *_: look())
    signal.setitimer(signal.ITIMER_PROF, 1.0, 1.0)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)
