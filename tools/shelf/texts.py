"""Every English sentence of the shelf, keyed as in `mastread.tools.texts`."""

from __future__ import annotations

from typing import Final

ENGLISH: Final[dict[str, str]] = {
    "shelf.none": "{path}: there is no shelf; make one with `mastread shelf add PATH...`",
    "shelf.cannot": "{path}: the shelf cannot be opened ({what}); name another folder",
    "shelf.damaged": (
        "{path}: the shelf's database cannot be read ({what}); put a copy of it back, or move it "
        "away and add the footage again"
    ),
    "shelf.foreign": "{path}: is not a shelf of this program; name another folder",
    "shelf.newer": (
        "{path}: made by a newer program (schema {found}, this one knows {known}); update mastread"
    ),
    "shelf.busy": "{path}: another program is adding to this shelf; try again when it is done",
    "error.lost": "{path}: its folder on the shelf was lost while it was entered; add it again",
    "span.none": "no span of this shelf is called {text!r}; `mastread shelf find` lists them",
    "span.several": "{text!r} begins the names of several spans; give more letters of it",
    "who.none": "a correction needs the name of whoever makes it; give --who NAME",
    "split.where": (
        "{id} lasts from {start} to {end} s, so it cannot be split at {at} s; name a time inside"
    ),
    "retime.where": (
        "{id} cannot last from {start} to {end} s; a span of a video begins at 0 or later and "
        "ends after that"
    ),
    "split.photo": "{id} is of a photo, which has no times to split at",
    "join.few": "joining takes two spans or more of one mast",
    "join.apart": "{first} and {second} are not of the same mast of one video; nothing was joined",
    "join.between": (
        "{id} lies between the spans to be joined; join it with them or remove it first"
    ),
    "undo.none": "there is nothing to undo",
    "redo.none": "there is nothing to redo",
    "shelf.trouble": "the shelf's database refused ({what}); try again, or restore a copy of it",
    "add.done": (
        "{path}: {read} files read, {known} known already, {failed} failed; {spans} spans on the "
        "shelf ({more:+d})"
    ),
    "find.none": "Nothing on the shelf matches.",
    "find.count": "{shown} of {count} spans that match.",
    "table.id": "id",
    "table.file": "file",
    "table.time": "time",
    "table.aspect": "showed",
    "table.name": "indication",
    "table.by": "says who",
    "name.rule": "{name} (rule {rule})",
    "name.open": "cannot be told; in doubt {safest}",
    "by.machine": "machine, {percent:.1f}%",
    "by.none": "machine",
    "by.confirmed": "{who} confirmed",
    "by.corrected": "{who} corrected",
    "by.withheld": "{who}: not to be told",
    "time.photo": "photo",
    "file.gone": "(moved)",
    "fix.one": (
        "say one thing to do: --aspect, --confirm, --cannot-tell, --remove, --split, --join, "
        "--undo, --redo or --history; --note and --tag may go with it"
    ),
    "fix.ids": "name the spans; `mastread shelf find` lists them",
    "fix.undo.ids": "undoing and redoing take back changes, not spans; leave the IDs out",
    "fix.undo": "change {number} is undone",
    "fix.redo": "change {number} is made again",
    "fix.join": "{count} spans are one now: {id}",
    "fix.now": "{id}: {view}",
    "fix.hidden": "hidden",
    "history.line": "{number}  {at}  {who}  {act}  {what}",
    "history.undone": "{number}  {at}  {who}  {act}  {what}  (undone)",
    "history.number": "change {number}",
    "history.none": "Nobody has changed anything.",
    "check.missing": "{path}: the footage is no longer there; its clips are",
    "check.changed": "{path}: the footage is no longer what was read; add it again",
    "check.folder": "{path}: the record is missing or torn; add the footage again",
    "check.torn": "{path}: missing or changed on the shelf; put a copy of it back",
    "check.heads": "{count} heads here, {before} just before on the same mast",
    "check.brief": "{aspect} for {length:.1f} s only, between two spans of {around}",
    "check.at": "at {time}: {text}",
    "check.none": "{path}: all files are as they were; no reading stands against others.",
    "check.count": "{files} findings about files, {readings} about readings.",
    "sheet.title": "Signals on the shelf",
    "sheet.count": "{count} spans.",
    "sheet.alt": "A signal that shows {aspect}; light: {light}.",
    "sheet.gone": "The picture is no longer on the shelf.",
    "sheet.plates": "Plates: {plates}",
    "sheet.done": "{count} spans written to {path}",
    "pack.none": "nothing matches, so there is nothing to pack; ask for less",
    "pack.there": "{path}: something is there already; name a new or empty folder",
    "pack.rights": (
        "who may use the footage, and whom to name? give --licence (such as CC-BY-4.0) and --credit"
    ),
    "pack.torn": "{path}: is missing on the shelf; `mastread shelf check` tells more",
    "pack.shares": "{text!r} are no shares; give three that sum to 1, such as 0.8,0.1,0.1",
    "pack.name": "{text!r} is no name for a data set; use a-z, 0-9, dots, dashes and underscores",
    "pack.what": "Clips and pictures of railway colour-light signals, labelled by mastread.",
    "pack.part": "* {part}: {count} spans",
    "pack.apart": "No {what} is in two parts.",
    "pack.together.video": "video",
    "pack.together.folder": "folder of footage",
    "pack.licence": "Licence: {names}.",
    "pack.credit": "Credit: {names}.",
    "pack.labels": (
        "`spans.csv` and `heads.csv` are described field by field in `datapackage.json`; `coco/` "
        "holds boxes of masts and lamps on the posters. Where `verdict` is empty no person has "
        "looked at a label."
    ),
    "pack.done": "{path}: {train} spans to train, {validation} to validate, {test} to test",
    "cluster.extra": (
        "--cluster needs Dask; install it with `pip install mastread[cluster]`, here and on the "
        "workers"
    ),
    "cluster.none": (
        "{address}: no Dask scheduler answers ({what}); start one with `dask scheduler` and give "
        "the address that it prints"
    ),
    "cluster.lost": (
        "{path}: no worker of the cluster could do it ({what}); look at the workers' logs, and "
        "add it again"
    ),
    "error.rate": "{text!r} is no range of rates; give hertz like 0.9..1.1",
    "error.memory": "{path}: too large for this machine's memory; scale it down and try again",
    "error.open": "{path}: cannot be opened ({what}); check the name and that you may read it",
    "error.output": (
        "{path}: its clips could not be written ({what}); free or change the shelf's folder"
    ),
    "error.internal": (
        "{path}: shelving failed by a fault of this program ({what}); please report it with the "
        "file, and leave the file out meanwhile"
    ),
    "error.crash": (
        "{path}: the program that decodes media crashed on this file; convert the file with a "
        "video or photo editor and try again"
    ),
    "error.changing": "it changed while it was being read",
    "error.changing.cure": "add it again once it is copied whole",
    "error.copy": "copy it again from the camera or the backup",
    "heads.bad": "heads of {id}: {what}",
}


def say(key: str, /, **values: object) -> str:
    """Return the sentence `key` with `values` filled in (KeyError if one is missing)."""
    return ENGLISH[key].format(**values)
