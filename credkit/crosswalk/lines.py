"""Lines: what becomes of each credentials row in each target of its kind."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from credkit.crosswalk.credentials import Doubts
from credkit.crosswalk.decisions import ACTIVE_ONLY, NO_TARGET, NOT_ACTIVE, NOT_HELD, WRITTEN, Doubt, decide
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.exports import TargetExport
from credkit.crosswalk.filelines import FileLines
from credkit.crosswalk.register import Card, Register, hide_secret
from credkit.crosswalk.result import CrosswalkLine, Finding, describe_rows
from credkit.crosswalk.targets import TargetTexts
from credkit.facts.statuses import ACTIVE, describe_status, status_on
from credkit.privacy.accounts import hide_all_but_account_ends, holds_account, mask_accounts
from credkit.site.model import Site, Target

LOOKS_LIKE_PAYMENT = "the number looks like a payment account number, so it is not written"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardJudge:
    """Decides the action for a card in each target, with all reasons against it.

    ``reissued`` are cards of which another issue was read.
    """

    site: Site
    doubts: Doubts
    evidence: Evidence
    written: Mapping[str, TargetTexts]
    exports: Mapping[str, TargetExport]
    reissued: Collection[Card] = ()

    def lines(self, card: Card) -> tuple[CrosswalkLine, ...]:
        """The lines of a card: one for each target of its kind, or one without a target."""
        targets = [target for target in self.site.targets.values() if target.kind.name == card.kind.name]
        return tuple(self._line(card, target) for target in targets) or (self._line(card, None),)

    def _line(self, card: Card, target: Target | None) -> CrosswalkLine:
        """The line of ``card`` in ``target``: action, text and reasons."""
        row, status = card.row, status_on(card.row, self.site.as_of, self.site.rules)
        doubts = [
            doubt for doubt in self._doubts(card, target, status) if status == ACTIVE or doubt.code not in ACTIVE_ONLY
        ]
        decision, reasons = decide(doubts)
        is_written = decision.code in WRITTEN
        notes = [*self.doubts.remarks.get(card, ()), self.evidence.describe_doubt(card)]
        if is_written or decision.code == NO_TARGET:
            reasons = (*reasons, *filter(None, notes))
        export = self.exports.get(target.name) if target else None
        held = export.present(row.person) if export else ""
        sights = self.evidence.sights(card)
        hides = card.kind.not_payment is None
        return CrosswalkLine(
            line=row.line, person=row.person, credential=row.credential, kind=card.kind.name,
            number=card.masked_number, printed=hide_secret(card, row.printed),
            status=status, valid_from=row.valid_from, valid_until=row.valid_until, replaces=row.replaces,
            source=row.source, target=target.name if target else "",
            held=hide_all_but_account_ends(held) if hides and holds_account(held) else held,
            text=self.written[target.name].texts[card] if target and is_written else "",
            action=decision.action, code="" if is_written else decision.code, proof=self.evidence.proof(card),
            readers=self.evidence.format_readers(card), certain=sights.certain, shared=sights.shared,
            first_seen=self.evidence.by_site_clock(sights.first), last_seen=self.evidence.by_site_clock(sights.last),
            reason="; ".join(reasons),
        )  # fmt: skip

    def _doubts(self, card: Card, target: Target | None, status: str) -> Iterator[Doubt]:
        """Every condition of the table that is true of a card in a target."""
        if card.code:
            yield Doubt(card.code, card.reason)
        yield from self.doubts.of(card)
        yield from (Doubt("conflict", reason) for reason in self.evidence.disputes.get(card.credential, ()))
        if status != ACTIVE:
            yield Doubt(NOT_ACTIVE, describe_status(card.row, status))
        if target is None:
            yield Doubt(NO_TARGET, "its kind has no target")
            return
        done, export = self.written[target.name], self.exports.get(target.name)
        yield from done.doubts(card)
        if card.holds_account:
            yield Doubt("like-payment", LOOKS_LIKE_PAYMENT)
        if card in self.reissued and card.kind.issue in target.conversion.dropped:
            yield Doubt("issue-dropped", "another issue of it was read, and this target cannot tell them apart")
        if card not in done.stored:
            return
        if export and status != ACTIVE and export.holds_inactive(card.row.person, done.stored[card]):
            yield Doubt(NOT_ACTIVE, "the export still has its text for this person: needs review")
        yield export.doubt(card, done.stored[card]) if export else Doubt(NOT_HELD, "")


TOLD_BY_LINES = ("issue-dropped", "held-by-other", "export-damage")  # codes with findings made from lines


def find_held_lines(
    register: Register, exports: Mapping[str, TargetExport], lines: Iterable[CrosswalkLine]
) -> Iterator[Finding]:
    """Findings on lines that are held for what a target holds, or leaves out: one for each target."""
    groups: dict[tuple[str, str], list[CrosswalkLine]] = defaultdict(list)
    for line in lines:
        if line.code in TOLD_BY_LINES:
            groups[line.code, line.target].append(line)
    for (code, target), held in groups.items():
        if code == "export-damage":
            text = exports[target].damage.sentence
        else:
            rows = f"{describe_rows(line.line for line in held)} of the credentials"
            text = f"{rows}; {'the first: ' * (len(held) > 1)}{held[0].reason}"
        yield Finding(
            code=code, subject=mask_accounts(target), count=len(held),
            text=text,
            rows=FileLines({register.file: [line.line for line in held]}),
        )  # fmt: skip
