"""Names of outputs: readable, and never two alike."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mastread.tools.naming import plan_stems


def _files(root: Path, *names: str) -> list[Path]:
    paths = [root / name for name in names]
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return paths


def test_a_named_file_goes_to_the_top(tmp_path: Path) -> None:
    files = _files(tmp_path, "deep/er/a.jpg")
    assert plan_stems(files, [str(files[0])]) == ["a"]


def test_a_folder_keeps_its_sub_folders(tmp_path: Path) -> None:
    files = _files(tmp_path, "x/a.jpg", "x/sub/a.jpg", "x/sub/b.tar.mp4")
    assert plan_stems(files, [str(tmp_path / "x")]) == ["a", "sub/a", "sub/b.tar"]


def test_photo_and_clip_of_one_name_differ_by_suffix(tmp_path: Path) -> None:
    files = _files(tmp_path, "a.jpg", "a.mp4", "b.jpg")
    assert plan_stems(files, [str(tmp_path)]) == ["a-jpg", "a-mp4", "b"]


def test_one_name_from_two_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    files = _files(Path(), "west/a.jpg", "east/a.jpg", "c.jpg")
    stems = plan_stems(files, [str(file) for file in files])
    assert stems == ["west-a-jpg", "east-a-jpg", "c"]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "a", "A", "a-b", "a/b"]),
            st.sampled_from(["x", "X", "a-x", "x-jpg", "a-x-jpg", "x-2"]),
            st.sampled_from([".jpg", ".JPG", ".mp4", ""]),
        ),
        max_size=12,
        unique=True,
    )
)
def test_no_two_names_are_alike_on_any_file_system(parts: list[tuple[str, str, str]]) -> None:
    files = [Path(folder) / (name + suffix) for folder, name, suffix in parts]
    stems = plan_stems(files, [])
    assert all(stems)
    assert len({stem.casefold() for stem in stems}) == len(files)
    assert not any(Path(stem).is_absolute() or ".." in Path(stem).parts for stem in stems)
