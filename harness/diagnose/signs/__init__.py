"""The readers of signs: each goes through a capture and says what is odd about one matter."""

from dryload.harness.diagnose.scene import Scene
from dryload.harness.diagnose.sign import Sign


def signs_of(scene: Scene) -> list[Sign]:
    """Return everything odd about a capture."""
    # Some of them import numpy, which the command line does without until something is looked at.
    from dryload.harness.diagnose.signs.content import CONTENT
    from dryload.harness.diagnose.signs.damage import DAMAGE
    from dryload.harness.diagnose.signs.endings import ENDINGS
    from dryload.harness.diagnose.signs.findings import FINDINGS
    from dryload.harness.diagnose.signs.header import HEADER
    from dryload.harness.diagnose.signs.order import ORDER
    from dryload.harness.diagnose.signs.pace import PACE
    from dryload.harness.diagnose.signs.rejections import REJECTIONS
    from dryload.harness.diagnose.signs.replies import REPLIES
    from dryload.harness.diagnose.signs.requests import REQUESTS
    from dryload.harness.diagnose.signs.silence import SILENCE
    from dryload.harness.diagnose.signs.source import SOURCE
    from dryload.harness.diagnose.signs.words import WORDS

    readers = (
        *(*DAMAGE, *ORDER, *PACE, *ENDINGS, *REJECTIONS, *REPLIES, *SILENCE, *REQUESTS),
        *(*HEADER, *CONTENT, *WORDS, *SOURCE, *FINDINGS),
    )
    return [sign for read in readers for sign in read(scene)]
