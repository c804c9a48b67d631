"""How hard property tests try. LAYERGATE_EXAMPLES=20 makes twenty times as many examples, drawn anew each
time; give pytest `--timeout=0` then.

Ordinary runs draw the same examples every time, so that a suite that passed yesterday passes today.
"""

import os

from hypothesis import HealthCheck, settings

FACTOR = int(os.environ.get("LAYERGATE_EXAMPLES", "1"))


def effort(examples: int) -> settings:
    """Settings for a property test of so many examples; no deadline, since the machine may be busy."""
    return settings(
        max_examples=examples * FACTOR,
        deadline=None,
        derandomize=FACTOR == 1,
        database=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
    )


def seeds(count: int) -> range:
    """Seeds of a test that draws by `random.Random`: far faster than a strategy where programs are long."""
    return range(count * FACTOR)
