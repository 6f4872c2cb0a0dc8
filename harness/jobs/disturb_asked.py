"""What was asked for: disturbances that were understood, and how they come to a rehearsal."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from emulator.line.applied import AppliedFault, Placed
from emulator.line.link import Link
from emulator.line.trouble import Trouble
from emulator.unit.possible import Profile
from harness.jobs.disturb_word import Word
from harness.jobs.transfer import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Trait:
    """Another value for a key of a profile."""

    section: str
    field: str
    value: object


@dataclass(frozen=True, slots=True, kw_only=True)
class NoSpacing:
    """A sender that waits for no answer to a packet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One disturbance as it was asked for."""

    said: str
    word: Word
    means: Placed | Trouble | tuple[Trait, ...] | NoSpacing | Link
    situation: str = ""
    """The everyday situation that it belongs to, "" where it was asked for by itself."""

    @property
    def lasts(self) -> bool:
        """Whether it is there from beginning to end and strikes nothing in particular."""
        return not isinstance(self.means, Placed | Trouble)


@dataclass(frozen=True, slots=True)
class Disturbances:
    """Everything that was asked for; ValueError where it cannot be had together."""

    asked: tuple[Asked, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no line has."""
        said = [each.said for each in self.asked]
        if twice := next((text for text in said if said.count(text) > 1), ""):
            raise ValueError(f'"{twice}" is asked for twice')
        if len([each for each in self.asked if isinstance(each.means, Link)]) > 1:
            raise ValueError("there is one interface between the host and the cable, not two links")

    @property
    def placed(self) -> tuple[Placed, ...]:
        """What is done to the line."""
        return tuple(each.means for each in self.asked if isinstance(each.means, Placed))

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        """What happens in the unit."""
        return tuple(each.means for each in self.asked if isinstance(each.means, Trouble))

    @property
    def link(self) -> Link | None:
        """What stands between the host and the cable."""
        return next((each.means for each in self.asked if isinstance(each.means, Link)), None)

    def unit(self, profile: Profile) -> Profile:
        """Return the unit with the traits that were asked for; ProfileError where none is so."""
        sections: dict[str, dict[str, object]] = {}
        for each in self.asked:
            if isinstance(each.means, tuple):
                for trait in each.means:
                    sections.setdefault(trait.section, {})[trait.field] = trait.value
        if not sections:
            return profile
        changed = {
            name: replace(getattr(profile, name), **values) for name, values in sections.items()
        }
        return replace(profile, **changed)

    def settings(self, settings: Settings) -> Settings:
        """Return how the replay is to be done."""
        if not any(isinstance(each.means, NoSpacing) for each in self.asked):
            return settings
        return replace(
            settings,
            sender=replace(settings.sender, after_silence="go on"),
            limits=replace(settings.limits, packet_ns=0),
        )


def struck_by(asked: Asked, struck: Sequence[AppliedFault]) -> list[AppliedFault]:
    """Return what one of the disturbances did."""
    return [each for each in struck if each.said == asked.said]
