"""The vocabulary of disturbances: what can go wrong, in words, and what is known of it.

This table is the one home of the grammar: the parser reads it, and `dryload disturbances` lists it.
In a form N is a whole number, Nth one such as 5th, P a number that may
have decimals, TIME one such as 60 ms, 2 s or 320 us, XX bytes in hexadecimal, KIND ack, nak, wait,
cancel or eof, THING one of packet, reply, message, request or header.

Nothing here is imported from the line: the way to a help text stays short.  The entries have
everything that somebody who wants to understand a failure needs: what a receiver can see of it,
what it must do by which clause, and where it comes from.
"""

from typing import Final

from harness.jobs.disturb_word import Phrase, Word
from harness.jobs.disturb_words_ends import END_WORDS
from harness.jobs.disturb_words_line import LINE_WORDS

WORDS: Final[tuple[Word, ...]] = (*LINE_WORDS, *END_WORDS)

PLACES: Final[tuple[Phrase, ...]] = (
    Phrase(form="packet N", does="that packet, counted from 0, as it first goes out in a dump"),
    Phrase(form="packets N to N", does="those packets, each as it first goes out"),
    Phrase(form="packets from N on", does="that packet and all behind it, those sent again too"),
    Phrase(form="header", does="the header, as it first goes out"),
    Phrase(form="reply to packet N", does="the first answer to that packet"),
    Phrase(form="replies to packets N to N", does="the first answers to those packets"),
    Phrase(form="reply to header", does="the first answer to the header"),
    Phrase(form="message N", does="that message in its direction, counted from 0"),
    Phrase(form="messages N to N", does="those messages"),
    Phrase(form="every Nth THING", does="5th, 10th, 15th and so on, those sent again counted too"),
    Phrase(form="every THING", does="every one, those sent again too"),
    Phrase(form="THINGS", does="the same: packets, replies, messages, requests or headers"),
    Phrase(form="byte N", does="that byte of the message, counted from 0 at F0"),
    Phrase(form="with chance 1 in N", does="one in so many, as the seed decides"),
    Phrase(form="seed N", does="another number decides otherwise; the same one always alike"),
    Phrase(form="each time", does="also when the same message goes out again"),
    Phrase(form="once", does="one time and no more"),
    Phrase(form="at most N times", does="so often and no more"),
    Phrase(
        form="at TIME",
        does="the first one on its way then or later, counted from the beginning",
    ),
    Phrase(form="from TIME on", does="from that instant on"),
    Phrase(form="until TIME", does="up to that instant"),
    Phrase(form="between TIME and TIME", does="within that time"),
    Phrase(form="to the unit", does="in that direction"),
    Phrase(form="from the unit", does="in that direction: answers, and what is read back"),
    Phrase(form="both ways", does="in both directions"),
)
"""Where and when, longest forms first where one begins another; "the" may stand anywhere."""

FILLERS: Final = ("in", "of", "on", "to", "at", "with", "and", "inside", "for")
"""Little words that may stand between, and mean nothing by themselves."""
