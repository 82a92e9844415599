"""What checks cannot see: how many double errors pass, and how many wrong frames may have passed.

Each bit of a frame has a syndrome: the parities that it is in. Two inverted bits pass if theirs are
the same. All pairs are counted, exactly. If bits were wrong independently of each other, one rate
of errors would explain how many frames fail, and the rate says how many wrong frames pass: by the
identity of MacWilliams, with all combinations of parities. Wires do not do that: they lose bits, invert
them all, or shift them. So the second number is a scale, and no estimate of this site's faults.

Source: exhaustive count over pairs; MacWilliams identity (from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from math import comb, fsum

from credkit.audit.summary import UndetectedErrors
from credkit.core.codec import AnyCodec
from credkit.tables.layout import FixedBits, Layout, LayoutCodec, Limit, Parity

MOST_PARITIES_COMBINED = 14  # whose combinations are all tried
MOST_FAILURES_BY_BIT_ERRORS = 0.1  # a reader that fails more often has another fault than single bits


def layout_steps(codec: AnyCodec) -> list[tuple[int, Layout]]:
    """The layouts in a chain, with their steps."""
    return [(place, step.layout) for place, step in enumerate(codec.steps) if isinstance(step, LayoutCodec)]


def parity_masks(layout: Layout) -> list[int]:
    """The parities of a layout: for each the mask of its bits, check bit and all.

    A sum is none: errors that it alone finds are counted as undetected.
    """
    return [
        mask | 1 << shift
        for check in layout.checks
        if isinstance(check, Parity)
        for shift, mask, _ in check.rows
    ]  # fmt: skip


def fixed_mask(layout: Layout) -> int:
    """The mask of the bits that always are what they are."""
    found = 0
    for check in layout.checks:
        if isinstance(check, FixedBits):
            found |= check.mask
    return found


def double_errors(layout: Layout) -> tuple[int, int]:
    """The ways to invert two bits of a frame: all of them, and those that no check sees.

    >>> from credkit import chain
    >>> [double_errors(chain(name).layout) for name in ("wiegand-26", "wiegand-37")]
    [(325, 156), (666, 306)]
    """
    same = Counter(syndromes(layout))
    return comb(layout.length, 2), sum(comb(count, 2) for count in same.values())


def syndromes(layout: Layout) -> list[int]:
    """For each bit that is not fixed, the parities it is in, as a number."""
    masks, still = parity_masks(layout), fixed_mask(layout)
    return [
        sum(1 << row for row, mask in enumerate(masks) if mask >> bit & 1)
        for bit in range(layout.length)
        if not still >> bit & 1
    ]


class Channel:
    """A layout under independent bit errors."""

    def __init__(self, layout: Layout) -> None:
        self.length = layout.length
        still = fixed_mask(layout)
        self.fixed = still.bit_count()
        masks = [mask & ~still for mask in parity_masks(layout)]
        combined = [0]
        for mask in masks:
            combined += [each ^ mask for each in combined]
        weights = Counter(each.bit_count() for each in combined)
        self._weights = dict(weights)
        self._combinations = len(combined)

    def passes(self, rate: float) -> float:
        """How probable it is that a frame fails no check, right or wrong, where ``rate`` of its bits are wrong."""
        unseen = fsum(count * (1 - 2 * rate) ** weight for weight, count in self._weights.items()) / self._combinations
        return float(unseen * (1 - rate) ** self.fixed)

    def unseen(self, rate: float) -> float:
        """How probable it is that a frame is wrong and fails no check."""
        return float(max(0.0, self.passes(rate) - (1 - rate) ** self.length))

    def rate(self, share: float) -> float:
        """The rate of wrong bits at which ``share`` of the frames fail a check; at most one bit in two."""
        low, high = 0.0, 0.5
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if 1 - self.passes(middle) < share else (low, middle)
        return (low + high) / 2


class CheckedFrames:
    """The frames that were judged by a layout, reader by reader, whatever the chain."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.chains: dict[str, None] = {}
        self.readers: dict[str, tuple[int, int]] = {}

    def add(self, chain: str, readers: Mapping[str, tuple[int, int]]) -> None:
        """Count frames of a chain, and those of them that failed the layout's checks."""
        self.chains[chain] = None
        for name, (frames, failed) in readers.items():
            before = self.readers.get(name, (0, 0))
            self.readers[name] = before[0] + frames, before[1] + failed


def error_key(layout: Layout) -> object:
    """A key that is equal for layouts of one name that detect the same errors."""
    return layout.name, layout.length, tuple(parity_masks(layout)), fixed_mask(layout)


def estimate_undetected(judged: CheckedFrames) -> UndetectedErrors:
    """The undetected errors of a layout, and the wrong frames expected among those it passed."""
    layout = judged.layout
    total, passing = double_errors(layout)
    others = {
        name: counts for name, counts in judged.readers.items() if counts[1] <= MOST_FAILURES_BY_BIT_ERRORS * counts[0]
    }
    apart = sorted(judged.readers.keys() - others.keys())
    frames, failed = (sum(counts[each] for counts in others.values()) for each in range(2))
    rate = expected = None
    if frames and 0 < len(parity_masks(layout)) <= MOST_PARITIES_COMBINED:
        channel = Channel(layout)
        rate = channel.rate(failed / frames) if failed else 0.0
        shares = [(count, wrong / count) for count, wrong in others.values() if wrong]
        different = {share for _, share in shares}  # many readers have the same
        unseen = {share: channel.unseen(channel.rate(share)) for share in different}
        expected = fsum(count * unseen[share] for count, share in shares)
    return UndetectedErrors(
        chains=tuple(judged.chains), layout=layout.name, length=layout.length, pairs=total, passing=passing,
        unseen=syndromes(layout).count(0), frames=frames, failed=failed, rate=rate, expected=expected,
        apart=tuple(apart), more=any(isinstance(check, Limit) for check in layout.checks),
    )  # fmt: skip
