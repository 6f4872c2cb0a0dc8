"""All rules on the way back, the sender's conduct, and requests."""

from collections.abc import Callable, Iterator
from typing import Final

from harness.diagnose.cause import Suspicion
from harness.diagnose.rules_answers_contact import CONTACT_RULES
from harness.diagnose.rules_answers_end import END_RULES
from harness.diagnose.rules_answers_form import FORM_RULES
from harness.diagnose.rules_answers_numbers import NUMBER_RULES
from harness.diagnose.rules_answers_sender import SENDER_RULES
from harness.diagnose.rules_answers_times import TIMES_RULES
from harness.diagnose.scene import Scene

ANSWER_RULES: Final[tuple[Callable[[Scene], Iterator[Suspicion]], ...]] = (
    *SENDER_RULES,
    *TIMES_RULES,
    *FORM_RULES,
    *NUMBER_RULES,
    *CONTACT_RULES,
    *END_RULES,
)
