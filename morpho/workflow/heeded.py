"""The settings that a rule heeds: what a step reads and what makes it run again are one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    from morpho.study.settings.blocks import Settings
    from morpho.study.settings.config import StudyConfig

__all__ = ["NotHeededError", "Seen", "heeded", "heeds"]

# Where files are, which the plan finds for every rule.
_ALWAYS = ("elements", "results")


class NotHeededError(LookupError):
    """A step reads a setting that its rule does not name."""


def heeds(named: tuple[str, ...] | None, path: str) -> bool:
    """Tell whether a rule heeds a setting, by dotted keys; None stands for all."""
    return named is None or any(f"{path}.".startswith(f"{one}.") for one in named)


class Seen:
    """Settings as one step may see them: looking any other up raises `NotHeededError`.

    `named` are dotted keys of those that may be seen, `above` that of the block, with a dot behind.
    """

    def __init__(self, settings: Any, named: tuple[str, ...], above: str = "") -> None:
        self._of = (settings, named, above)

    def __getattr__(self, name: str) -> Any:
        settings, named, above = object.__getattribute__(self, "_of")
        value, path = getattr(settings, name), f"{above}{name}"
        if heeds(named, path):
            return value
        if any(one.startswith(f"{path}.") for one in named):
            return None if value is None else Seen(value, named, f"{path}.")
        raise NotHeededError(
            f"The rule does not name {path} among the settings that it heeds: "
            "name it in morpho/workflow/rules.py."
        )


def heeded(config: StudyConfig, named: tuple[str, ...] | None) -> StudyConfig:
    """A study with the settings that a rule heeds, as `Seen`; None stands for all."""
    if named is None:
        return config
    seen = Seen(config.settings, (*named, *_ALWAYS))
    return replace(config, settings=cast("Settings", seen))
