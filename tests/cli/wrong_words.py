"""Words of a command that are wrong, and the beginning of the one line that they get."""

from __future__ import annotations

WRONG_WORDS: dict[str, tuple[tuple[str, ...], str]] = {
    "unknown option": (
        ("replay", "good.syx", "--zzz"),
        "there is no option --zzz. See dryload replay --help.",
    ),
    "unknown command": (
        ("play", "good.syx"),
        "there is no command play. Did you mean replay? See dryload --help.",
    ),
    "nothing given": (
        ("validate",),
        "FILE is missing. See dryload validate --help.",
    ),
    "too much given": (
        ("diff", "good.syx", "good.syx", "good.syx"),
        "too many words: good.syx. See dryload diff --help.",
    ),
    "no number": (
        ("replay", "good.syx", "--number", "one"),
        "--number needs a whole number. See dryload replay --help.",
    ),
    "number -1": (
        ("replay", "good.syx", "--number", "-1"),
        "--number -1: sample numbers are 0 to 16383.",
    ),
    "device ID 200": (
        ("replay", "good.syx", "--device-id", "200"),
        "--device-id 200: a device ID is 0 to 127.",
    ),
    "operator x": (
        ("replay", "good.syx", "--operator", "x"),
        "--operator x: give seconds, as in 8 or 2.5, or none.",
    ),
    "banks 99": (
        ("replay", "good.syx", "--banks", "99"),
        "--banks 99: lantern-desk has room for 0 to 4.",
    ),
    "packet -1": (
        ("explain", "good.syx", "--packet", "-1"),
        "--packet must be 0 or more. See dryload explain --help.",
    ),
    "header no such": (
        ("encode", "sound.wav", "-o", "n.syx", "--header", "long"),
        "--header long: there are auto, standard, extended.",
    ),
    "output exists": (
        ("encode", "sound.wav", "-o", "good.syx"),
        "good.syx exists already. --overwrite replaces it.",
    ),
    "output is a folder": (
        ("decode", "good.syx", "-o", "folder"),
        "folder is a folder. Give a file name after -o.",
    ),
    "output unwritable": (
        ("decode", "good.syx", "-o", "/proc/thunder.wav"),
        "/proc/thunder.wav cannot be written: No such file or directory.",
    ),
    "output without a name": (
        ("decode", "good.syx", "-o", ""),
        "-o is empty. Give a file name after -o.",
    ),
    "profile unknown": (
        ("replay", "good.syx", "--to", "unit:prompt-bax"),
        "there is no profile 'prompt-bax': did you mean prompt-box?",
    ),
    "profile is a folder": (
        ("replay", "good.syx", "--to", "unit:folder.toml"),
        "folder.toml: a profile is a file, and this is not one",
    ),
    "profile is no TOML": (
        ("replay", "good.syx", "--to", "unit:letter.toml"),
        "letter.toml: this is not TOML:",
    ),
    "profile with a typo": (
        ("replay", "good.syx", "--to", "unit:typo.toml"),
        "typo.toml: memory.bank_wrods is not a key of a profile: did you mean bank_words?",
    ),
    "profile of an impossible unit": (
        ("profiles", "impossible.toml"),
        "impossible.toml: memory.fitted has bank 2 and no bank 1: without bank 1 the others are "
        "of no use",
    ),
    "name too long": (
        ("validate", "x" * 300),
        f"{'x' * 300} cannot be read: File name too long.",
    ),
    "profile name too long": (
        ("replay", "good.syx", "--to", "unit:" + "x" * 300),
        f"{'x' * 300}: the profile can't be read: File name too long",
    ),
}
