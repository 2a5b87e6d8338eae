"""The measuring aids from the command line: what they print, and what they refuse."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from rungwise.cli import main
from rungwise.clinic import measure
from tests.core.heel_raises import heel_raises
from tests.core.test_stance import DATA, needs_data
from tests.core.test_sway import trial

COLUMNS = [part for word in ("time=Time", "ap=COPx", "ml=COPy") for part in ("--column", word)]


def written(folder: Path, turning: bool = True) -> Path:
    acceleration, turn, _ = heel_raises(3, count=6)
    assert turn is not None
    parts = [acceleration.time_s, *acceleration.values, *(turn.values if turning else ())]
    head = "time[s],x[m/s2],y[m/s2],z[m/s2]" + ",gx[rad/s],gy[rad/s],gz[rad/s]" * turning
    path = folder / "raises.csv"
    np.savetxt(path, np.column_stack(parts), "%.6f", ",", header=head, comments="")
    return path


@needs_data
def test_a_trial_is_described_with_its_error(capsys: pytest.CaptureFixture[str]) -> None:
    file = str(DATA / "BDS00001.csv")
    assert main(["measure", "stance", file, *COLUMNS, "--surface", "firm", "--eyes", "open"]) == 0
    told = capsys.readouterr().out
    assert "A measuring aid." in told
    assert "x 1.49" in told
    assert "ap is the column 'COPx' in cm" in told
    assert main(["measure", "stance", file, *COLUMNS, "--as-authors", "--json"]) == 0
    made = json.loads(capsys.readouterr().out)["stance"]
    # Santos & Duarte 2016, first trial of the table: 0.6202 cm/s, 0.9447 cm2
    assert made["values"]["mean_speed"]["value"] == pytest.approx(6.20189911656211, rel=1e-9)
    assert made["values"]["ellipse_area"]["value"] == pytest.approx(94.46915167229832, rel=1e-9)


def test_nothing_is_guessed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["measure", "stance", str(written(tmp_path))]) == 3
    told = capsys.readouterr().err
    assert "Say ap=COLUMN[unit]" in told
    assert "Say ml=COLUMN[unit]" in told


def test_heel_raises_are_counted(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = str(written(tmp_path))
    assert main(["measure", "reps", path]) == 0
    told = capsys.readouterr().out
    assert told.startswith("Heel raises: 6. Lowering ")
    assert "nobody has checked this on feet" in told
    assert main(["measure", "reps", path, "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["heel_raises"]["raises"]) == 6
    assert main(["measure", "reps", str(written(tmp_path, turning=False))]) == 0
    assert "Seen by tilt." in capsys.readouterr().out


def test_a_phone_gives_seconds_and_no_length(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    row = trial(1, outs=((40.0, 1.0),))
    path = tmp_path / "stance.csv"
    head = "time[s],x[m/s2],y[m/s2],z[m/s2]"
    np.savetxt(
        path, np.column_stack((row.time_s, *row.values)), "%.6f", ",", header=head, comments=""
    )
    assert main(["measure", "stance", str(path), "--of", "acceleration"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("Held 36.0 s at the longest; step-outs: 1")
    assert "No centimetres" in told
    assert " mm" not in told


def test_a_role_of_something_else_is_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["measure", "reps", str(written(tmp_path)), "--column", "ap=x[m]"]) == 3
    assert "ap; allowed: gx, gy, gz, time, x, y, z" in capsys.readouterr().err.replace("got ", "")


def test_without_the_extra_they_are_off(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setattr(measure, "find_spec", lambda name: None)
    assert main(["measure", "reps", str(written(tmp_path))]) == 3
    assert "pip install 'rungwise[measure]'" in capsys.readouterr().err
