"""Lines: what becomes of each credentials row in each target of its kind."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.progress import SILENT, Progress
from credkit.crosswalk.cards import Card, hide_secret
from credkit.crosswalk.credentials import Doubts
from credkit.crosswalk.decisions import ACTIVE_ONLY, NO_TARGET, NOT_ACTIVE, NOT_HELD, WRITTEN, Doubt, decide
from credkit.crosswalk.evidence import Evidence
from credkit.crosswalk.exports import TargetExport
from credkit.crosswalk.linetable import LINE_COLUMNS, Action, CrosswalkLine, LineTable
from credkit.crosswalk.register import Register
from credkit.crosswalk.result import Finding
from credkit.crosswalk.targets import TargetTexts
from credkit.facts.account_suspects import texts_with_room
from credkit.facts.statuses import ACTIVE, describe_status
from credkit.privacy.accounts import hide_all_but_account_ends, holds_account, mask_accounts
from credkit.site.model import Site, Target
from credkit.work.filelines import FileLines

LOOKS_LIKE_PAYMENT = "the number looks like a payment account number, so it is not written"


DECIDED = {
    "place": pl.Int32, "target": pl.Categorical, "action": pl.Categorical, "code": pl.Categorical, "text": pl.String,
    "reason": pl.String,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CardJudge:
    """Decides the action for a card in each target, with all reasons against it.

    ``reissued`` are cards of which another issue was read.
    """

    site: Site
    register: Register
    doubts: Doubts
    evidence: Evidence
    written: Mapping[str, TargetTexts]
    exports: Mapping[str, TargetExport]
    reissued: Collection[Card] = ()
    progress: Progress = SILENT

    def lines(self) -> LineTable:
        """The lines of all cards in the order of the file: one for each target of its kind, or one without a target."""
        kinds, targets = self.register.rows["kind"], self.site.targets.values()
        parts = []
        self.progress.phase("deciding what targets hold", total=len(targets), unit="targets")
        for number, target in enumerate(targets, 1):
            parts.append(self._decide_in(target))
            self.progress.done(number)
        without = ~kinds.is_in([target.kind.name for target in targets]).to_numpy()
        parts.append(self._decide_one_by_one(np.flatnonzero(without), None))
        decided = pl.concat(parts).sort("place", maintain_order=True)  # the parts are in the order of the targets
        cards = self._cards()
        held = self._held(decided, cards["person"])
        return LineTable(decided.with_columns(held=held), cards, self.site.zone)

    def _decide_in(self, target: Target) -> pl.DataFrame:
        """The decisions on all cards of a target's kind: those against which nothing speaks are written as they are."""
        done, export = self.written[target.name], self.exports.get(target.name)
        clear = self._find_clear(done, target)
        actions = np.full(len(clear), "add", object)
        if export:
            written = np.flatnonzero(done.stored.is_not_null().to_numpy())
            actions[written[export.holds_own]] = "keep"
            clear[written[~(export.holds_own | export.is_absent)]] = False
        clear_lines = pl.DataFrame({
            "place": done.places[clear], "target": target.name, "action": actions[clear].tolist(), "code": "",
            "text": done.texts.filter(pl.Series(clear)), "reason": "",
        }, DECIDED)  # fmt: skip
        others = (self.register.rows["kind"] == target.kind.name).to_numpy(writable=True)
        others[done.places[clear]] = False
        return pl.concat([clear_lines, self._decide_one_by_one(np.flatnonzero(others), target)])

    def _find_clear(self, done: TargetTexts, target: Target) -> Array:
        """Which cards of a target are active, and nothing is to be said of them but what its export holds."""
        register, evidence = self.register, self.evidence
        clear = register.active.copy()
        clear[list(register.others)] = False
        said = {*self.doubts.found, *self.doubts.remarks, *evidence.unresolved_codes, *done.doubted()}
        said |= set(self.reissued if target.kind.issue in target.conversion.dropped else ())
        clear[[card.place for card in said]] = False
        clear[evidence.uncertain_places()] = False
        if evidence.disputes:
            clear &= ~register.rows["credential"].is_in(list(evidence.disputes)).to_numpy()
        found: Array = clear[done.places] & done.texts.is_not_null().to_numpy()
        return found

    def _decide_one_by_one(self, places: Array, target: Target | None) -> pl.DataFrame:
        """The decisions on cards of which more is to be said."""
        rows = [self._decide(card, target) for card in self.register.make(places)]
        return pl.DataFrame(rows, DECIDED, orient="row")

    def _decide(self, card: Card, target: Target | None) -> tuple[int, str, Action, str, str, str]:
        """The row of `DECIDED` of ``card`` in ``target``: action, code, text and reasons."""
        doubts = [
            doubt for doubt in self._doubts(card, target) if card.state == ACTIVE or doubt.code not in ACTIVE_ONLY
        ]
        decision, reasons = decide(doubts)
        is_written = decision.code in WRITTEN
        notes = [*self.doubts.remarks.get(card, ()), self.evidence.describe_doubt(card)]
        if is_written or decision.code == NO_TARGET:
            reasons = (*reasons, *filter(None, notes))
        text = self.written[target.name].text_of(card) if target and is_written else ""
        name = target.name if target else ""
        return card.place, name, decision.action, "" if is_written else decision.code, text, "; ".join(reasons)

    def _doubts(self, card: Card, target: Target | None) -> Iterator[Doubt]:
        """Every condition of the table that is true of a card in a target."""
        if card.code:
            yield Doubt(card.code, card.reason)
        yield from self.doubts.of(card)
        yield from (Doubt("conflict", reason) for reason in self.evidence.disputes.get(card.credential, ()))
        if card.state != ACTIVE:
            yield Doubt(NOT_ACTIVE, describe_status(card.row, card.state))
        if target is None:
            yield Doubt(NO_TARGET, "its kind has no target")
            return
        done, export = self.written[target.name], self.exports.get(target.name)
        yield from done.doubts(card)
        if card.holds_account:
            yield Doubt("like-payment", LOOKS_LIKE_PAYMENT)
        if card in self.reissued and card.kind.issue in target.conversion.dropped:
            yield Doubt("issue-dropped", "another issue of it was read, and this target cannot tell them apart")
        stored = done.stored_of(card)
        if stored is None:
            return
        if export and card.state != ACTIVE and export.holds_inactive(card.row.person, stored):
            yield Doubt(NOT_ACTIVE, "the export still has its text for this person: needs review")
        yield export.doubt(card, stored) if export else Doubt(NOT_HELD, "")

    def _cards(self) -> pl.DataFrame:
        """What lines tell of their cards: what the register's rows and the readings have of each."""
        register = self.register
        own = [name for name in LINE_COLUMNS if name in register.rows.columns and name != "status"]
        cards = register.rows.select(*own, pl.col("state").alias("status")).hstack(self.evidence.sights_by_card())
        texts = (register.number_texts.alias("number"), register.forms.alias("value"))
        cards = cards.with_columns(*texts, proof=self.evidence.proofs())
        secrets = [card for card in register.others.values() if card.holds_account]
        if not secrets:
            return cards
        at = [card.place for card in secrets]
        return cards.with_columns(
            cards["number"].scatter(at, [hide_secret(card, card.number_text) for card in secrets]),
            cards["value"].scatter(at, [hide_secret(card, card.form) for card in secrets]),
            cards["printed"].scatter(at, [hide_secret(card, card.row.printed) for card in secrets]),
        )

    def _held(self, decided: pl.DataFrame, persons: pl.Series) -> pl.Series:
        """What each line's target holds for its person; account numbers are hidden unless the kind declares them."""
        held = pl.repeat("", decided.height, eager=True, dtype=pl.String)
        for name, export in self.exports.items():
            here = decided["target"].eq(name).arg_true()
            texts = export.present_texts(persons.gather(decided["place"].gather(here)))
            if self.site.targets[name].kind.not_payment is None:
                hidden = {
                    text: hide_all_but_account_ends(text) for text in texts_with_room(texts) if holds_account(text)
                }
                texts = texts.replace(hidden) if hidden else texts
            held = held.scatter(here, texts)
        return held


TOLD_BY_LINES = ("issue-dropped", "held-by-other", "export-damage")  # codes with findings made from lines


def find_held_lines(register: Register, exports: Mapping[str, TargetExport], lines: LineTable) -> Iterator[Finding]:
    """Findings on lines that are held for what a target holds, or leaves out: one for each target."""
    groups: dict[tuple[str, str], list[CrosswalkLine]] = defaultdict(list)
    for line in lines.where(pl.col("code").is_in(TOLD_BY_LINES)):
        groups[line.code, line.target].append(line)
    for (code, target), held in groups.items():
        if code == "export-damage":
            text = exports[target].damage.sentence
        else:
            rows = f"{register.site.credentials.describe_rows(line.line for line in held)} of the credentials"
            text = f"{rows}; {'the first: ' * (len(held) > 1)}{held[0].reason}"
        yield Finding(
            code=code, subject=mask_accounts(target), count=len(held),
            text=text,
            rows=FileLines({register.file: [line.line for line in held]}),
        )  # fmt: skip
