"""Both halves of the kinds that no list has: the one that may be looked at, and the other."""

from typing import Final

from tests.diagnosis.unlisted_seen import SEEN
from tests.diagnosis.unlisted_unseen import UNSEEN_HALF

HALVES: Final = (SEEN, UNSEEN_HALF)
