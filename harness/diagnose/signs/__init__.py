"""The readers of signs: each goes through a capture and says what is odd about one matter."""

from harness.diagnose.scene import Scene
from harness.diagnose.sign import Sign


def signs_of(scene: Scene) -> list[Sign]:
    """Return everything odd about a capture."""
    # Some of them import numpy, which the command line does without until something is looked at.
    from harness.diagnose.signs.content import CONTENT
    from harness.diagnose.signs.damage import DAMAGE
    from harness.diagnose.signs.endings import ENDINGS
    from harness.diagnose.signs.findings import FINDINGS
    from harness.diagnose.signs.header import HEADER
    from harness.diagnose.signs.order import ORDER
    from harness.diagnose.signs.pace import PACE
    from harness.diagnose.signs.rejections import REJECTIONS
    from harness.diagnose.signs.replies import REPLIES
    from harness.diagnose.signs.requests import REQUESTS
    from harness.diagnose.signs.silence import SILENCE
    from harness.diagnose.signs.source import SOURCE
    from harness.diagnose.signs.words import WORDS

    readers = (
        *(*DAMAGE, *ORDER, *PACE, *ENDINGS, *REJECTIONS, *REPLIES, *SILENCE, *REQUESTS),
        *(*HEADER, *CONTENT, *WORDS, *SOURCE, *FINDINGS),
    )
    return [sign for read in readers for sign in read(scene)]
