"""Cautions: what the output of a command does not mean, in one fixed wording.

The summary of a crosswalk has its own, which also stand in its file.
"""

from __future__ import annotations

COPIES = "An identifier is not authentication and can be copied; passed parity is not a genuine card."
PEOPLE = "Personal and movement data need a lawful basis and retention rules."
DEACTIVATE = "Never deactivate credentials from a computed list without fresh sightings."
EGRESS = "Emergency egress and life safety follow local codes and licensed practice."

ALL = f"{COPIES} {PEOPLE} {DEACTIVATE} {EGRESS}"
