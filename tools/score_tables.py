"""Prints the sums of `mastread.tools.score_sums` as tables for people, counts beside shares."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from mastread.tools.score_rows import figures
from mastread.tools.score_sums import OUTCOMES, Block

_KINDS: Final = {"photo": "Photos", "video": "Clips", "all": "Photos and clips together"}


def tables(sums: Mapping[str, Any]) -> str:
    """Every table, as plain text."""
    lines = [f"{sums['files']} files, {sums['unread']} could not be read"]
    kinds = [kind for kind in ("photo", "video") if sums[kind]["total"]["pictures"]]
    if len(kinds) == 2:
        kinds.append("all")
    for kind in kinds:
        lines += ["", f"=== {_KINDS[kind]} ({sums[kind]['total']['pictures']}) ==="]
        lines += _part(sums[kind], clips=kind != "photo")
    return "\n".join(lines)


def share(count: int, base: int) -> str:
    """``12/340 3.5 %``; a dash where there is nothing to count."""
    return f"{count}/{base} {100.0 * count / base:.2f} %" if base else "-"


def grid(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows of text in columns, the first row as headings; columns but the first to the right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    out = []
    for n, row in enumerate(rows):
        cells = [
            cell.ljust(width) if k == 0 else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        out.append("  ".join(cells).rstrip())
        if n == 0:
            out.append("  ".join("-" * width for width in widths))
    return out


def _part(part: Mapping[str, Any], *, clips: bool) -> Iterator[str]:
    yield from _against_bars(part, clips=clips)
    yield from _by("lens", {**part["size"], "all": part["total"]}, clips=clips)
    for name, values in part["by"].items():
        yield from _by(name, values, clips=clips)
    yield from _outcomes(part)
    yield from _confusion(part["colours"])
    for name, table in part["reliability"].items():
        yield from _reliability(name, table)
    if clips:
        yield from _times(part)
    for title, key in (
        ("Wrong-side errors", "wrong_side"),
        ("Taken for a lit lamp", "invented"),
        ("Faults of grouping", "mast_faults"),
    ):
        if part[key]:
            yield ""
            yield f"{title}:"
            for what, count in sorted(part[key].items(), key=lambda item: -item[1]):
                yield f"  {count:5d}  {what}"


def measures(block: Block) -> dict[str, tuple[int, int]]:
    """Counts and their bases by the names of the bars in accuracy.toml."""
    claimed = block["colour_right"] + block["colour_wrong"]
    told = block["behaviour_right"] + block["behaviour_wrong"]
    return {
        "found": (block["found"], block["lit"]),
        "invented": (block["invented"], block["pictures"]),
        "colour_wrong": (block["colour_wrong"], claimed),
        "colour_withheld": (block["colour_withheld"], block["found"]),
        "behaviour_wrong": (block["behaviour_wrong"], told),
        "grouped": (block["grouped"], block["masts"]),
        "wrong_side": (block["wrong_side_lamps"], block["lamps"]),
    }


def _against_bars(part: Mapping[str, Any], *, clips: bool) -> Iterator[str]:
    words = {
        "found": "lit lamps found",
        "invented": "lamps invented, per 100 pictures",
        "colour_wrong": "colour wrong, of those claimed",
        "colour_withheld": "colour withheld, of readable ones",
        "behaviour_wrong": "behaviour wrong, of those claimed",
        "grouped": "masts grouped and ordered right",
        "wrong_side": "wrong-side, of all heads",
    }
    rows = [["", "6 px and up", "bar", "3 to 6 px", "bar"]]
    big, small = measures(part["6 px and up"]), measures(part["size"]["3 to 6 px"])
    for key, bars in figures()["bars"].items():
        if key == "behaviour_wrong" and not clips:
            continue
        row = [words[key]]
        for measured, bar in zip((big[key], small[key]), bars, strict=True):
            row += [share(*measured), f"{bar:g} %"]
        rows.append(row)
    yield ""
    yield from grid(rows)


def _by(name: str, values: Mapping[str, Block], *, clips: bool) -> Iterator[str]:
    heads = [name, "files", "found", "invented", "colour wrong", "withheld"]
    if clips:
        heads += ["behaviour wrong", "withheld"]
    heads += ["dark found", "grouped", "with dark", "unreadable withheld", "wrong-side"]
    rows = [heads]
    for value, block in values.items():
        all_of = measures(block)
        row = [value, str(block["pictures"] or "-"), share(*all_of["found"])]
        row.append(str(block["invented"]))
        row += [share(*all_of["colour_wrong"]), share(*all_of["colour_withheld"])]
        if clips:
            row.append(share(*all_of["behaviour_wrong"]))
            row.append(share(block["behaviour_withheld"], block["behaviour_base"]))
        row.append(share(block["dark_found"], block["dark"]))
        row.append(share(*all_of["grouped"]))
        row.append(share(block["complete"], block["masts"]))
        row.append(share(block["unreadable_withheld"], block["unreadable"]))
        row.append(str(block["wrong_side_lamps"] + block["wrong_side_readings"]))
        rows.append(row)
    yield ""
    yield from grid(rows)


def _outcomes(part: Mapping[str, Any]) -> Iterator[str]:
    words = {
        "exact": "exact",
        "wider": "right, but wider",
        "withheld": "withheld",
        "unproven": "told too much",
        "wrong": "wrong",
        "wrong_side": "wrong-side",
        "missed": "mast missed",
    }
    rows = [["readings", *(words[o] for o in OUTCOMES), "unreadable, yet read"]]
    for value, block in (*part["size"].items(), ("all", part["total"])):
        rows.append(
            [
                value,
                *(share(block[outcome], block["readings"]) for outcome in OUTCOMES),
                share(block["unreadable_read"], block["unreadable_readings"]),
            ]
        )
    yield ""
    yield from grid(rows)


def _confusion(table: Mapping[str, Mapping[str, int]]) -> Iterator[str]:
    if not table:
        return
    said = sorted({word for row in table.values() for word in row})
    yield ""
    yield from grid(
        [
            ["true colour, claimed as", *said],
            *([true, *(str(row.get(word, 0)) for word in said)] for true, row in table.items()),
        ]
    )


def _reliability(name: str, table: Mapping[str, Any]) -> Iterator[str]:
    if not table["count"]:
        return
    yield ""
    yield (
        f"Reliability of {name}: {table['count']} claims, expected calibration error "
        f"{table['ece']:.4f}, Brier score {table['brier']:.4f}"
    )
    rows = [["odds", "claims", "mean odds", "right"]]
    for low, high, count, mean, right in table["bins"]:
        rows.append([f"{low:g} to {high:g}", str(count), f"{mean:.4f}", share(right, count)])
    yield from grid(rows)


def _times(part: Mapping[str, Any]) -> Iterator[str]:
    rates, changes = part["rates"], part["changes"]
    yield ""
    if rates["count"]:
        yield (
            f"Flash rates: {rates['count']}; error median {100 * rates['median']:.2f} %, "
            f"95th percentile {100 * rates['p95']:.2f} %; within 1 %: "
            f"{share(rates['within_1_percent'], rates['count'])}; within two stated errors: "
            f"{share(rates['within_2_sd'], rates['with_sd'])}"
        )
    else:
        yield "Flash rates: none told"
    line = (
        f"Changes of aspect: told {share(changes['told'], changes['count'])}, "
        f"made up {changes['made_up']}"
    )
    if changes["told"]:
        line += (
            f"; time error median {changes['median_s']:.3f} s, 95th percentile "
            f"{changes['p95_s']:.3f} s, within one frame "
            f"{share(changes['within_a_frame'], changes['told'])}"
        )
    yield line
