"""The vectors: the manifest keeps to its schema, and an independent codec agrees with each case."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from tests.cli.runs import run
from tests.trial.plain import Plain as Encoder
from tests.trial.plain_decoder import Plain as Decoder

LARGEST = 5 << 20  # bytes of the whole folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("vectors")
    done = run("vectors", "-o", "out", folder=path)
    assert done.code == 0, done.err
    return path / "out"


@pytest.fixture(scope="module")
def manifest(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "vectors.json").read_text("utf-8"))
    return found


def words_of(folder: Path, told: list[int] | str) -> list[int]:
    if isinstance(told, str):
        words: list[int] = np.fromfile(folder / told, "<i4").tolist()
        return words
    return told


def cases(manifest: dict[str, Any], *verdicts: str) -> list[dict[str, Any]]:
    return [each for each in manifest["cases"] if each["verdict"] in verdicts]


def test_the_manifest_keeps_to_its_schema(folder: Path, manifest: dict[str, Any]) -> None:
    schema = json.loads((folder / "vectors.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(manifest, schema, cls=jsonschema.Draft202012Validator)
    for spoilt in ({**manifest, "schema": "dryload/vectors/2"}, {**manifest, "cases": []}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(spoilt, schema, cls=jsonschema.Draft202012Validator)


def test_every_file_is_named_in_the_manifest_and_all_are_small(
    folder: Path, manifest: dict[str, Any]
) -> None:
    named = {each["dump"] for each in manifest["cases"]}
    for case in manifest["cases"]:
        told = [case["encode"], *case["readings"]]
        named |= {each["words"] for each in told if each and isinstance(each["words"], str)}
    there = {str(path.relative_to(folder)) for path in folder.rglob("*.*")}
    assert there == named | {"vectors.json", "vectors.schema.json"}
    assert sum((folder / name).stat().st_size for name in there) < LARGEST


def test_an_encoder_of_the_standard_alone_makes_the_same_dumps(
    folder: Path, manifest: dict[str, Any]
) -> None:
    asked = [each for each in manifest["cases"] if each["encode"]]
    assert len(asked) > 500
    for case in asked:
        told = dict(case["encode"])
        words = np.array(words_of(folder, told.pop("words")), np.int64)
        loop = told.pop("loop")
        made = Encoder().encode(words, loop=None if loop is None else tuple(loop), **told)
        assert made == (folder / case["dump"]).read_bytes(), case["id"]


def test_a_decoder_of_the_standard_alone_reads_what_is_valid(
    folder: Path, manifest: dict[str, Any]
) -> None:
    for case in cases(manifest, "valid", "open"):
        try:
            found: Any = Decoder().decode((folder / case["dump"]).read_bytes())
        except ValueError:
            assert case["asked"] != "to be read", case["id"]
            continue
        readings = [words_of(folder, each["words"]) for each in case["readings"]]
        assert found["words"] in readings, case["id"]
        reading = case["readings"][readings.index(found["words"])]
        assert abs(found["rate"] - reading["rate"]) < 1, case["id"]
        assert found["number"] == reading["number"]


def test_a_decoder_of_the_standard_alone_refuses_what_is_invalid(
    folder: Path, manifest: dict[str, Any]
) -> None:
    assert len(cases(manifest, "invalid")) > 25
    for case in cases(manifest, "invalid"):
        with pytest.raises(ValueError, match=r"."):
            Decoder().decode((folder / case["dump"]).read_bytes())


def test_a_folder_with_vectors_is_not_written_over(folder: Path) -> None:
    done = run("vectors", "-o", folder.name, folder=folder.parent)
    assert (done.code, done.out) == (2, "")
    assert "--overwrite replaces it" in done.err
    again = run("vectors", "-o", folder.name, "--overwrite", folder=folder.parent)
    assert again.code == 0
