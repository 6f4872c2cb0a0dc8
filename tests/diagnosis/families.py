"""Every family, and which of them are held out."""

from itertools import chain
from typing import Final

from tests.diagnosis.families_ends import ANSWER_FAMILIES
from tests.diagnosis.families_file import FILE_FAMILIES
from tests.diagnosis.families_held import HELD_OUT_FAMILIES
from tests.diagnosis.families_legal import LEGAL_FAMILIES, NO_ANSWER_FAMILIES
from tests.diagnosis.families_line import LINE_FAMILIES
from tests.diagnosis.families_script import SCRIPT_FAMILIES
from tests.diagnosis.families_unit import HOST_FAMILIES, UNIT_FAMILIES
from tests.diagnosis.family import Family, Part

SINGLE: Final[tuple[Family, ...]] = (
    *LINE_FAMILIES,
    *ANSWER_FAMILIES,
    *UNIT_FAMILIES,
    *HOST_FAMILIES,
    *SCRIPT_FAMILIES,
    *FILE_FAMILIES,
)
ALL: Final = (*SINGLE, *HELD_OUT_FAMILIES, *LEGAL_FAMILIES, *NO_ANSWER_FAMILIES)


def families_of(part: Part) -> tuple[Family, ...]:
    """Return the families of a part."""
    return tuple(family for family in ALL if family.part is part)


def family_named(name: str) -> Family:
    """Return a family by its name, or by the only one that begins so; ValueError for none."""
    found = [each for each in ALL if each.name == name] or [
        each for each in ALL if each.name.startswith(name)
    ]
    if len(found) != 1:
        names = ", ".join(each.name for each in found or ALL)
        raise ValueError(f'"{name}" names not one family; there are: {names}')
    return found[0]


def rows_of(families: tuple[Family, ...]) -> tuple[Family, ...]:
    """Return families as often as their weight says, well mixed."""
    most = max(family.weight for family in families)
    turns = ([each for each in families if each.weight > turn] for turn in range(most))
    return tuple(chain.from_iterable(turns))
