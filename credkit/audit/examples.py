"""Examples: a failing text of a reader, why it fails, and how that is drawn."""

from __future__ import annotations

from collections.abc import Iterable

from credkit.audit.failures import explain_failure
from credkit.audit.plan import ChainUse
from credkit.audit.summary import FailingExample
from credkit.bulk import Rule
from credkit.explain.drawing import pictures
from credkit.privacy.payment import payment_in_decoded
from credkit.privacy.pictures import mask_picture

MOST_EXAMPLES = 100  # readers that have one
LONGEST_TEXT_DRAWN = 512  # characters of a text that is drawn


def find_example(use: ChainUse, texts: Iterable[str], rule: Rule) -> FailingExample | None:
    """The first of ``texts`` that fails ``rule`` before any other; None if there is none."""
    for text in texts:
        reading = use.codec.inspect(text)
        failed = reading.failed
        if failed is not None and (failed.codec, failed.rule) == (rule.codec, rule.rule):
            shown, reason = explain_failure(use, text, reading)
            drawn = pictures(use.codec, text, reading) if len(text) <= LONGEST_TEXT_DRAWN else []
            if not use.not_payment:
                secret = payment_in_decoded(use.codec, text, reading)
                drawn = [mask_picture(each, secret=secret.has_account, only=secret.track_numbers) for each in drawn]
            return FailingExample(chain=use.name, text=shown, reason=reason, pictures=tuple(drawn))
    return None
