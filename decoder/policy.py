"""The figures of policy.toml: what errors cost, and what is assumed where nothing is known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache


@dataclass(frozen=True, slots=True)
class Policy:
    """See policy.toml, which explains every figure."""

    withhold: float
    wrong_safe_side: float
    plate_untold: float
    wrong_side: float
    open_share: float
    unlisted_weight: float
    unlisted_flashing: float
    unlisted_rare_colour: float
    fit_share: float
    sure_colour: float
    assume_dwarf: float
    assume_staggered: float
    second_unseen: float


@cache
def load_policy() -> Policy:
    """Read the packaged figures, once."""
    # Imported when first needed: these two take a third of the time to import the decoder.
    import tomllib
    from importlib import resources

    text = resources.files("mastread.decoder").joinpath("policy.toml").read_text("utf-8")
    raw = tomllib.loads(text)
    return Policy(
        withhold=raw["cost"]["withhold"],
        wrong_safe_side=raw["cost"]["wrong_safe_side"],
        plate_untold=raw["cost"]["plate_untold"],
        wrong_side=raw["cost"]["wrong_side"],
        open_share=raw["open"]["share"],
        unlisted_weight=raw["unlisted"]["weight"],
        unlisted_flashing=raw["unlisted"]["flashing_factor"],
        unlisted_rare_colour=raw["unlisted"]["rare_colour_factor"],
        fit_share=raw["fit"]["share"],
        sure_colour=raw["fit"]["sure_colour"],
        assume_dwarf=raw["assume"]["dwarf"],
        assume_staggered=raw["assume"]["staggered"],
        second_unseen=raw["assume"]["second_unseen"],
    )
