"""A packed data set opened by the libraries of the standards it follows.

Data Package: frictionless, the reference implementation of frictionlessdata.io. COCO boxes:
pycocotools, of the makers of the layout. Croissant: mlcroissant of MLCommons.
"""

from __future__ import annotations

import json
import shutil
from collections import defaultdict
from pathlib import Path
from typing import Any

import cv2
import pytest
from click.testing import CliRunner

from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli
from mastread.tools.shelf.add import add, local
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf
from mastread.tools.shelf.trial import make_clips
from mastread.vision.types import Hints

SAMPLES = Path(__file__).parents[2] / "sample_frames"

# These libraries warn of their own dependencies' future; nothing of ours.
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pack")
    make_clips(folder / "footage", 5)
    shutil.copyfile(SAMPLES / "larch-07-bracket.jpg", folder / "footage" / "bracket.jpg")
    add(
        folder / "s",
        [str(folder / "footage")],
        book="cror",
        hints=Hints(),
        runner=local(2, lambda share: None),
        tell=print,
    )
    with Shelf.open(folder / "s") as opened:
        hit = opened.find(Query(kind="video"))[0]
        opened.correct(hit.id, "Jo", "flashing yellow over red, plates unknown")
    return folder / "s"


@pytest.fixture(scope="module")
def package(shelf: Path) -> Path:
    target = shelf.parent / "signals"
    call = ["shelf", "pack", str(target), "--shelf", str(shelf), "--licence", "CC-BY-4.0"]
    answer = CliRunner().invoke(cli, [*call, "--credit", "Jo Larch", "--shares", "0.5,0.25,0.25"])
    assert answer.exit_code == 0, answer.output
    assert NOTICE in answer.output
    return target


def test_frictionless_finds_the_package_valid_and_reads_its_tables(package: Path) -> None:
    frictionless = pytest.importorskip("frictionless")
    report = frictionless.validate(str(package / "datapackage.json"))
    assert report.valid, report.flatten(["title", "message"])
    found = frictionless.Package(str(package / "datapackage.json"))
    spans = found.get_resource("spans").read_rows()
    heads = found.get_resource("heads").read_rows()
    assert len(spans) >= 6
    assert {row["span"] for row in heads} == {row["id"] for row in spans}
    assert [c["title"] for c in found.contributors] == ["Jo Larch"]
    assert [licence["name"] for licence in found.licenses] == ["CC-BY-4.0"]
    corrected = [row for row in spans if row["verdict"] == "corrected"]
    assert [row["said_by"] for row in corrected] == ["Jo"]
    assert corrected[0]["odds"] == 1
    # A wrong byte is noticed: the validation above can fail.
    torn = package.parent / "torn"
    shutil.copytree(package, torn)
    next((torn / "clips").iterdir()).write_bytes(b"no clip")
    assert not frictionless.validate(str(torn / "datapackage.json")).valid


def test_no_video_is_in_two_parts(package: Path) -> None:
    frictionless = pytest.importorskip("frictionless")
    spans = frictionless.Package(str(package / "datapackage.json")).get_resource("spans")
    parts: dict[str, set[str]] = defaultdict(set)
    for row in spans.read_rows():
        parts[row["footage"]].add(row["part"])
    assert len(parts) == 6
    assert all(len(found) == 1 for found in parts.values())
    assert {p for found in parts.values() for p in found} == {"train", "validation", "test"}


def test_pycocotools_loads_the_boxes_and_they_lie_on_the_lamps(package: Path) -> None:
    coco = pytest.importorskip("pycocotools.coco")
    boxes = 0
    for part in ("train", "validation", "test"):
        loaded: Any = coco.COCO(str(package / "coco" / f"{part}.json"))
        names = {c["id"]: c["name"] for c in loaded.loadCats(loaded.getCatIds())}
        for image in loaded.loadImgs(loaded.getImgIds()):
            picture = cv2.imread(str(package / image["file_name"]))
            assert picture.shape[:2] == (image["height"], image["width"])
            found = loaded.loadAnns(loaded.getAnnIds(imgIds=[image["id"]]))
            assert sum(names[a["category_id"]] == "mast" for a in found) == 1
            for one in found:
                x, y, w, h = one["bbox"]
                assert 0 <= x < x + w <= image["width"]
                assert 0 <= y < y + h <= image["height"]
                boxes += 1
                if names[one["category_id"]] in ("red lamp", "yellow lamp", "green lamp"):
                    lamp = picture[round(y) : round(y + h), round(x) : round(x + w)]
                    around = picture[: round(y) + 1].mean()
                    assert lamp.max(axis=2).mean() > around * 0.8
    assert boxes >= 12


def test_mlcroissant_finds_the_description_valid_and_reads_the_records(package: Path) -> None:
    croissant = pytest.importorskip("mlcroissant")
    data = croissant.Dataset(str(package / "croissant.json"))
    assert not data.metadata.ctx.issues.errors
    assert not data.metadata.ctx.issues.warnings
    records = list(data.records("spans"))
    assert len(records) == len((package / "spans.csv").read_text().splitlines()) - 1
    first = {key.rpartition("/")[2]: value for key, value in records[0].items()}
    assert (package / first["clip"].decode()).is_file()
    assert NOTICE in data.metadata.description


def test_every_file_is_named_and_the_notice_stands_on_it(package: Path) -> None:
    document = json.loads((package / "datapackage.json").read_text())
    named = {resource["path"] for resource in document["resources"]}
    there = {p.relative_to(package).as_posix() for p in package.rglob("*") if p.is_file()}
    assert there - named == {"datapackage.json", "croissant.json", "README.md"}
    assert named <= there
    assert NOTICE in document["description"]
    assert NOTICE in (package / "README.md").read_text()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ([], "give --licence"),
        (["--licence", "CC0-1.0"], "give --licence"),
        (["--licence", "CC0-1.0", "--credit", "Jo", "--shares", "1,1,1"], "no shares"),
        (["--licence", "CC0-1.0", "--credit", "Jo", "--name", "A b"], "no name for a data set"),
        (["nothing like it", "--licence", "CC0-1.0", "--credit", "Jo"], "nothing matches"),
    ],
)
def test_a_wrong_call_writes_nothing(
    shelf: Path, tmp_path: Path, more: list[str], words: str
) -> None:
    target = tmp_path / "new"
    answer = CliRunner().invoke(cli, ["shelf", "pack", str(target), "--shelf", str(shelf), *more])
    assert answer.exit_code == 2
    assert words in answer.stderr
    assert list(tmp_path.iterdir()) == []


def test_each_file_keeps_the_rights_that_it_was_added_with(shelf: Path, tmp_path: Path) -> None:
    other = tmp_path / "s"
    shutil.copytree(shelf, other)
    photo = shelf.parent / "footage" / "bracket.jpg"
    call = ["shelf", "add", str(photo), "--shelf", str(other), "--licence", "CC0-1.0"]
    assert CliRunner().invoke(cli, [*call, "--credit", "Sam Alder"]).exit_code == 0
    call = ["shelf", "pack", str(tmp_path / "p"), "--shelf", str(other)]
    assert CliRunner().invoke(cli, call).exit_code == 2
    call += ["--licence", "CC-BY-4.0", "--credit", "Jo Larch"]
    assert CliRunner().invoke(cli, call).exit_code == 0
    document = json.loads((tmp_path / "p" / "datapackage.json").read_text())
    assert [one["name"] for one in document["licenses"]] == ["CC-BY-4.0", "CC0-1.0"]
    assert [one["title"] for one in document["contributors"]] == ["Jo Larch", "Sam Alder"]
    rows = (tmp_path / "p" / "spans.csv").read_text().splitlines()[1:]
    assert all(("bracket.jpg" in row) == row.endswith("CC0-1.0,Sam Alder") for row in rows)


def test_a_folder_that_holds_something_is_left_alone(shelf: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    call = ["shelf", "pack", str(tmp_path), "--shelf", str(shelf), "--licence", "CC0-1.0"]
    answer = CliRunner().invoke(cli, [*call, "--credit", "Jo"])
    assert answer.exit_code == 2
    assert "something is there already" in answer.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
