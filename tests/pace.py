"""How many random examples a law is tried on: all with --all or CI=true, a third by default."""

from hypothesis import settings

WHOLE = 100
QUICK = 34
settings.register_profile("whole", max_examples=WHOLE)
settings.register_profile("quick", max_examples=QUICK)


def examples(count: int) -> int:
    """As many as are meant, or a third of them (ten at least) in the quick run."""
    quick = settings.default is not None and settings.default.max_examples == QUICK
    return min(count, max(10, count // 3)) if quick else count
