"""A LED check in words for the terminal, and as rows of a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any, Final

from mastread.decoder.words import NOTICE
from mastread.tools.leds.words import say_led

Document = dict[str, Any]

#: Columns of the table: one row a lamp.
COLUMNS: Final = (
    "file", "lamp", "mast", "head", "x_px", "y_px", "diameter_px", "colour", "x", "y",
    "x_95", "y_95", "u", "v", "dominant_nm", "dominant_low_nm", "dominant_high_nm", "purity",
    "cct_k", "duv", "limits_inside", "limits_undecided", "limits_outside", "advice", "brightness",
    "brightness_at_least", "flash_per_minute", "flash_low", "flash_high", "on_fraction",
    "flicker_depth", "stands_out", "not_judged_because",
)  # fmt: skip


def table(documents: Sequence[Document]) -> str:
    """All lamps of all files as CSV (RFC 4180) with a head line."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="")
    writer.writeheader()
    for document in documents:
        for lamp in document["lamps"]:
            writer.writerow(_row(document, lamp))
    return out.getvalue()


def _row(document: Document, lamp: Document) -> Document:
    row: Document = {
        "file": document["source"]["path"], "lamp": lamp["lamp"], "mast": lamp["mast"],
        "head": lamp["head"], "x_px": lamp["x"], "y_px": lamp["y"],
        "diameter_px": lamp["diameter_px"], "colour": lamp["colour"],
        "stands_out": "yes" if lamp["lamp"] in document["sets"]["standouts"] else "",
        "not_judged_because": " ".join([*document["reasons"], *lamp["reasons"]]),
        "advice": lamp["advice"],
    }  # fmt: skip
    if lamp["xy"] is not None:
        row |= {key: lamp["xy"][key] for key in ("x", "y", "x_95", "y_95")}
        row |= {key: lamp["uv"][key] for key in ("u", "v")}
        for standing in ("inside", "undecided", "outside"):
            row[f"limits_{standing}"] = "; ".join(_names(lamp, standing))
    for key in ("dominant_nm", "purity", "cct_k", "duv"):
        if lamp[key] is not None:
            row[key] = lamp[key]["value"]
    if lamp["dominant_nm"] is not None:
        row["dominant_low_nm"] = lamp["dominant_nm"]["low"]
        row["dominant_high_nm"] = lamp["dominant_nm"]["high"]
    if lamp["brightness"] is not None:
        row["brightness"] = lamp["brightness"]["relative"]
        row["brightness_at_least"] = "yes" if lamp["brightness"]["at_least"] else ""
    if lamp["flash"] is not None:
        rate = lamp["flash"]["rate_hz"]
        row["flash_per_minute"] = round(60 * rate["value"], 2)
        row["flash_low"], row["flash_high"] = (
            round(60 * rate["low"], 2),
            round(60 * rate["high"], 2),
        )
        row["on_fraction"] = lamp["flash"]["on_fraction"]["value"]
    if lamp["flicker"] is not None:
        row["flicker_depth"] = lamp["flicker"]["depth"]
    return row


def _names(lamp: Document, standing: str) -> list[str]:
    return [f"{m['set']} {m['colour']}" for m in lamp["limits"] if m["standing"] == standing]


def text(document: Document) -> str:
    """One file in words, without the notice at the end."""
    return "\n".join(lines(document)) + "\n"


def lines(document: Document) -> Iterator[str]:
    """The lines of `text`."""
    source = document["source"]
    yield say_led("say.file", **source)
    yield f"  {document['basis']['words']}"
    for reason in document["reasons"]:
        yield "  " + say_led("say.refused", reason=reason)
    for lamp in document["lamps"]:
        yield "  " + lamp_title(lamp)
        for line in lamp_lines(lamp):
            yield f"    {line}"
    for line in set_lines(document):
        yield f"  {line}"
    if document["better_picture"]:
        yield "  " + say_led("say.better")
        for point in document["better_picture"]:
            yield f"    - {point}"


def lamp_title(lamp: Document) -> str:
    """Which lamp, and of which colour."""
    key = "say.lamp" if lamp["mast"] is None else "say.lamp_mast"
    title = say_led(key, **{k: lamp[k] for k in ("lamp", "mast", "head")})
    if lamp["colour"] is not None:
        word = say_led("say.meant" if lamp["colour_told"] else "say.taken", colour=lamp["colour"])
        title += f": {word}"
    return title


def lamp_lines(lamp: Document) -> Iterator[str]:
    """All that is known of one lamp, a sentence a line."""
    for reason in lamp["reasons"]:
        yield say_led("say.refused", reason=reason)
    if lamp["xy"] is not None:
        yield say_led(
            "say.xy", x=lamp["xy"]["x"], y=lamp["xy"]["y"], dx=lamp["xy"]["x_95"],
            dy=lamp["xy"]["y_95"], u=lamp["uv"]["u"], v=lamp["uv"]["v"],
        )  # fmt: skip
    figures = [
        _figure(lamp["dominant_nm"], "nm"),
        _figure(lamp["purity"], "purity"),
        _figure(lamp["cct_k"], "cct"),
        _figure(lamp["duv"], "duv"),
    ]
    if any(figures):
        yield ", ".join(figure for figure in figures if figure)
    if lamp["advice"]:
        yield lamp["advice"]
    for standing in ("inside", "undecided"):
        if names := _names(lamp, standing):
            yield say_led(f"say.{standing}", names=", ".join(names))
    outside = [m for m in lamp["limits"] if m["standing"] == "outside"]
    if outside:
        away = [
            say_led("say.away", name=f"{m['set']} {m['colour']}", distance=m["distance"],
                    toward=m["toward"] or "?")
            for m in outside
        ]  # fmt: skip
        yield say_led("say.outside", names=", ".join(away))
    if (bright := lamp["brightness"]) is not None:
        yield say_led("say.bright_least" if bright["at_least"] else "say.bright", **bright)
    yield from time_lines(lamp)


def time_lines(lamp: Document) -> Iterator[str]:
    """Flash and flicker of one lamp."""
    if (flash := lamp["flash"]) is not None:
        rate, share = flash["rate_hz"], flash["on_fraction"]
        yield say_led(
            "say.flash", rate=60 * rate["value"], low=60 * rate["low"], high=60 * rate["high"],
            share=share["value"], share_low=share["low"], share_high=share["high"],
        )  # fmt: skip
        edges = []
        for name in ("rise", "fall"):
            bounds = flash[f"{name}_s"]
            if bounds["high"] is None:
                continue
            key = "say.edge" if bounds["low"] > 0 else "say.edge_most"
            edges.append(
                say_led(key, name=say_led(f"say.{name}"), low=1000 * bounds["low"],
                        high=1000 * bounds["high"])
            )  # fmt: skip
        if edges:
            yield ", ".join(edges)
        for m in flash["rates"]:
            low, high = m["per_minute"]
            standing = say_led(f"say.rate.{m['standing']}")
            yield say_led("say.rate", name=m["name"], low=low, high=high, standing=standing)
        for m in flash["edges"]:
            words = {e: say_led(f"say.rate.{m[e]}") for e in ("rise", "fall")}
            yield say_led("say.edges", name=m["name"], longest=1000 * m["longest_s"], **words)
    if "flash_refused" in lamp:
        yield say_led("say.refused", reason=lamp["flash_refused"])
    if (flicker := lamp["flicker"]) is not None:
        key = "say.flicker_pwm" if flicker["mains_hz"] is None else "say.flicker_mains"
        yield say_led(
            key, mains=flicker["mains_hz"], depth=flicker["depth"], left=flicker["left"],
            shutter=1.0 / flicker["shutter_s"],
        )  # fmt: skip
    if lamp["bands"] is not None:
        yield say_led("say.bands", rows=lamp["bands"]["rows"])


def set_lines(document: Document) -> Iterator[str]:
    """Which lamps look alike, and which stand out."""
    pairs = document["sets"]["pairs"]
    for word, key in (("alike", "say.pairs_alike"), ("differs", "say.pairs_differ")):
        told = [
            say_led("say.pair", first=p["first"], second=p["second"], difference=p["ciede2000"],
                    error=p["error"])
            for p in pairs
            if p["word"] == word
        ]  # fmt: skip
        if told:
            yield say_led(key, pairs=", ".join(told))
    if document["sets"]["standouts"]:
        yield say_led("say.standouts", lamps=", ".join(map(str, document["sets"]["standouts"])))


def notice() -> str:
    """The usual caution, and what the limits are."""
    return f"{say_led('say.limit_note')}\n{NOTICE}"


def _figure(figure: Document | None, key: str) -> str:
    if figure is None:
        return ""
    return say_led(f"say.{key}" if figure["value"] is not None else f"say.{key}_range", **figure)
