"""The settings that a rule heeds: what a step reads and what makes it run again are one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["NotHeededError", "heeded"]

# Where files are, which the plan finds for every rule.
_ALWAYS = ("elements", "results")


class NotHeededError(LookupError):
    """A step reads a setting that its rule does not name."""


class _Heeded(dict[str, Any]):
    """Settings of which some are hidden."""

    def __init__(self, shown: Mapping[str, Any], hidden: frozenset[str], above: str) -> None:
        super().__init__(shown)
        self._hidden, self._above = hidden, above

    def _look(self, key: object) -> None:
        if key in self._hidden:
            raise NotHeededError(
                f"The rule does not name {self._above}{key} among the settings that it heeds: "
                "name it in morpho/workflow/rules.py."
            )

    def __getitem__(self, key: str) -> Any:
        self._look(key)
        return super().__getitem__(key)

    def __contains__(self, key: object) -> bool:
        self._look(key)
        return super().__contains__(key)

    def get(self, key: str, default: Any = None) -> Any:
        self._look(key)
        return super().get(key, default)


def _shown(settings: Mapping[str, Any], named: tuple[str, ...], above: str = "") -> _Heeded:
    shown, hidden = {}, []
    for key, value in settings.items():
        path = f"{above}{key}"
        if path in named:
            shown[key] = value
        elif isinstance(value, Mapping) and any(one.startswith(f"{path}.") for one in named):
            shown[key] = _shown(value, named, f"{path}.")
        else:
            hidden.append(key)
    return _Heeded(shown, frozenset(hidden), above)


def heeded(config: StudyConfig, named: tuple[str, ...] | None) -> StudyConfig:
    """A study with the settings that a rule heeds.

    Parameters
    ----------
    config : StudyConfig
    named : tuple of str, or None
        Dotted keys of study.yaml; None stands for all.

    Returns
    -------
    StudyConfig
        Looking up any other setting raises `NotHeededError`.
    """
    if named is None:
        return config
    return replace(config, settings=_shown(config.settings, (*named, *_ALWAYS)))
