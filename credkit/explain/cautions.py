"""Cautions: what a result does not mean, in one wording for every screen and file."""

COPIES = "An identifier is not authentication and can be copied; passed parity is not a genuine card."
DATA = "Data checked: this says what the files hold and where they contradict each other, and nothing about the doors."
AUDITED = "Data checked: this says what the files hold, and nothing about the doors."
KEY = (
    "Where cards do not authenticate, the number is the key, and these files are enough to copy it: keep them private."
)
DEACTIVATE = "Deactivate nobody from a computed list alone: look for fresh sightings, and ask the people concerned."
PEOPLE = "Who was where and when is personal data: it needs a lawful basis, and a date on which it is deleted."
IN_SHORT = (
    "Data was checked, not doors. A number can be copied, readings are personal data, and nobody is deactivated from a "
    "list alone."
)
EGRESS = "Doors are life safety: emergency egress and fail-safe behaviour follow local codes and licensed practice."

PAYMENT = (
    "Payment data is masked: common rules on card data storage say that full track data must not be kept after "
    "authorisation, and that a number on display shows at most its first six and last four digits."
)

OF_A_RESULT = (DATA, KEY, DEACTIVATE, PEOPLE, EGRESS)
OF_THE_TOOL = f"{COPIES} {PEOPLE} {DEACTIVATE} {EGRESS}"

LOCKS = "Locks, and access conditions that nobody may change, cannot be undone."
BEFORE_A_BATCH = "Before a batch: one sacrificial card first, a second person who compares, and a read-back."
SERIAL = "A serial number is an identifier, not authentication."
MAC = "A MAC over data and serial shows that data was moved to another card; a copy that also copies the serial passes."
CIPHER = "A broken legacy cipher on the card is no protection, whatever the keys are."
STORED = (
    "Personal data on a card can be read by whoever holds the key: it needs a lawful basis, and a date on which it is "
    "deleted."
)
SECRET_DATA = (
    "These files hold the keys of cards, and have mode 600: whoever has them can read and rewrite the cards. Delete "
    "them after use."
)
CONFIDENTIAL = "Confidential: published default keys were found, and this report says on which cards."

OF_A_CARD = f"{LOCKS} {BEFORE_A_BATCH} {SERIAL} {MAC} {CIPHER} {STORED}"
