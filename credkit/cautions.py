"""Cautions: what a result does not mean, in one wording for every screen and file."""

COPIES = "An identifier is not authentication and can be copied; passed parity is not a genuine card."
DATA = "Data checked: this says what the files hold and where they contradict each other, and nothing about the doors."
KEY = (
    "Where cards do not authenticate, the number is the key, and these files are enough to copy it: keep them private."
)
DEACTIVATE = "Deactivate nobody from a computed list alone: look for fresh sightings, and ask the people concerned."
PEOPLE = "Who was where and when is personal data: it needs a lawful basis, and a date on which it is deleted."
EGRESS = "Doors are life safety: emergency egress and fail-safe behaviour follow local codes and licensed practice."

PAYMENT = (
    "Payment data is masked: common rules on card data storage say that full track data must not be kept after "
    "authorisation, and that a number on display shows at most its first six and last four digits."
)

OF_A_RESULT = (DATA, KEY, DEACTIVATE, PEOPLE, EGRESS)
OF_THE_TOOL = f"{COPIES} {PEOPLE} {DEACTIVATE} {EGRESS}"
