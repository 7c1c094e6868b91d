"""Token buckets: a steady rate with room for a burst, for each of many callers."""

from collections import OrderedDict
from dataclasses import dataclass

from gateway.clock import Clock

_MOST_KEPT = 10_000


@dataclass(slots=True)
class _Bucket:
    level: float
    at: float


class Buckets:
    """One bucket a name. `per_s` flows in, `at_once` is the brim. Never sleeps."""

    def __init__(self, clock: Clock, *, per_s: float, at_once: float) -> None:
        self._clock = clock
        self._per_s = per_s
        self._at_once = at_once
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()

    def take(self, name: str, count: float = 1) -> float:
        """Take `count` out; 0 if there was enough, else the seconds to wait, and nothing taken.

        More than a whole bucket at once is let through when it is full, and paid for afterwards.
        """
        now = self._clock.monotonic()
        bucket = self._buckets.get(name)
        if bucket is None:
            bucket = self._buckets[name] = _Bucket(self._at_once, now)
            if len(self._buckets) > _MOST_KEPT:
                self._buckets.popitem(last=False)
        else:
            self._buckets.move_to_end(name)
        bucket.level = min(self._at_once, bucket.level + (now - bucket.at) * self._per_s)
        bucket.at = now
        lacks = min(count, self._at_once) - bucket.level
        if lacks > 0:
            return lacks / self._per_s
        bucket.level -= count
        return 0.0
