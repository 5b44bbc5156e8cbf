"""The workbench for one liquid, through the real command line."""

from __future__ import annotations

import json
import re
import shlex

import pytest
import typer
from typer.testing import CliRunner

from bulkflow.cli import liquid
from bulkflow.cli.shell import ExitCode, run
from bulkflow.errors import InputError, OutOfRangeError


def call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = run(liquid.app, words, name="liquid")
    printed = capsys.readouterr()
    return int(code), printed.out, printed.err


def document(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, float]:
    code, out, err = call(capsys, *words, "--json")
    assert (code, err) == (0, "")
    return json.loads(out)


def test_convert_by_density(capsys) -> None:
    """Density 816.02 at 10 degC is 96 % vol; 24,000 L of it at 10 degC."""
    found = document(capsys, "convert", "--density", "816.02", "-t", "10", "--volume", "24000")
    assert found["strength_percent"] == pytest.approx(96.0, abs=0.001)
    assert found["mass_kg"] == pytest.approx(24_000 * 0.81602, abs=0.01)
    assert found["lpa"] == pytest.approx(found["volume_litres_20c"] * 0.96, rel=1e-5)
    assert found["proof_gallons"] == pytest.approx(found["lpa"] / 1.9018, rel=3e-5)


SAME_LIQUID = [
    ("--strength", "strength_percent"),
    ("--mass-fraction", "mass_fraction"),
    ("--density", "density_kg_m3"),
    ("--density-in-air", "density_in_air_kg_m3"),
    ("--proof", "proof_60f"),
    ("--degree-15", "degree_15c"),
]
SAME_AMOUNT = [
    ("--volume", "volume_litres"),
    ("--mass", "mass_kg"),
    ("--weighed", "weighed_kg"),
    ("--lpa", "lpa"),
    ("--proof-gallons", "proof_gallons"),
]


@pytest.mark.parametrize(("option", "key"), SAME_LIQUID)
def test_every_measure_leads_back_to_the_same_liquid(capsys, option: str, key: str) -> None:
    first = document(capsys, "convert", "--strength", "63.5", "-t", "12.5")
    again = document(capsys, "convert", option, repr(first[key]), "-t", "12.5")
    assert again == pytest.approx(first, rel=1e-9)


@pytest.mark.parametrize(("option", "key"), SAME_AMOUNT)
def test_every_amount_leads_back_to_the_same_amount(capsys, option: str, key: str) -> None:
    words = ("convert", "--strength", "63.5", "-t", "12.5")
    first = document(capsys, *words, "--volume", "20000")
    again = document(capsys, *words, option, repr(first[key]))
    assert again == pytest.approx(first, rel=1e-9)


def test_hydrometer_scales(capsys) -> None:
    """Reading 40.0 at 25 degC is 37.99 % vol; 96.5 on the 60 degF scale at 75 degF is 189.46."""
    glass = document(capsys, "convert", "--hydrometer", "40", "-t", "25")
    assert glass["strength_percent"] == pytest.approx(37.99, abs=0.005)
    warm = str((75 - 32) / 1.8)
    us = document(capsys, "convert", "--hydrometer", "96.5", "--scale", "60f", "-t", warm)
    assert us["proof_60f"] == pytest.approx(189.46, abs=0.005)


def test_reduce(capsys) -> None:
    words = ("reduce", "--strength", "96.4", "--target", "63.5")
    there = document(capsys, *words, "--volume", "1000")
    assert there["water_mass_kg"] == pytest.approx(562.27, abs=0.005)
    assert there["contraction_litres"] == pytest.approx(45.17, abs=0.005)
    assert there["lpa"] == pytest.approx(964.0)
    wanted = document(capsys, *words, "--final-volume", repr(there["final_volume_litres"]))
    assert wanted == pytest.approx(there, rel=1e-9)


def test_blend_by_volume_and_by_mass(capsys) -> None:
    found = document(capsys, "blend", "500@100", "500@0")
    assert found["contraction_litres"] == pytest.approx(35.4, abs=0.1)
    assert found["lpa"] == pytest.approx(500.0)
    mixed = document(capsys, "blend", "10kg@40", "10KG@40@5", "--temperature", "15")
    assert mixed["strength_percent"] == pytest.approx(40.0)
    assert mixed["mass_kg"] == 20.0


def test_tables_fit_the_page_and_tell_the_caution(capsys) -> None:
    code, out, err = call(capsys, "reduce", "--volume", "1000", "--strength", "96.4",
                          "--target", "63.5")  # fmt: skip
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines()) <= 80
    assert re.search(r"Water to add, kg +562\.27", out)
    assert "Mixing warms the liquid" in out
    assert "flammable vapour" in " ".join(out.split())


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["convert"],
            "command line: none of --strength, --mass-fraction, --density, --density-in-air,"
            " --hydrometer, --proof, --degree-15 was given. Give one measure of the liquid.\n",
        ),
        (
            ["convert", "--strength", "40", "--proof", "80", "--mass", "1", "--volume", "2"],
            "command line: --strength and --proof were given together. Give one measure of the"
            " liquid.\ncommand line: --volume and --mass were given together. Give at most one"
            " amount.\n",
        ),
        (
            ["convert", "--strength", "nan"],
            "strength is nan % vol; the formula holds from 0 to 100 % vol (OIML R 22).\n",
        ),
        (
            ["convert", "--density", "0.81602"],
            "density is 0.81602 kg/m3; the formula holds from 789.239 to 998.201 kg/m3 (OIML R 22,"
            " ethanol to water at 20 degC).\n",
        ),
        (
            ["convert", "--strength", "40", "--volume", "-3"],
            "volume is -3 L; the formula holds from 0 to 1e+15 L (an amount is zero or more).\n",
        ),
        (
            ["convert", "--strength", "0", "--lpa", "5"],
            "strength is 0 % vol; the formula holds from 0.001 to 100 % vol (spirit of no strength"
            " holds no alcohol).\n",
        ),
        (
            ["reduce", "--strength", "40", "--target", "63.5", "--volume", "10"],
            "target strength is 63.5 % vol; the formula holds from 0.001 to 40 % vol (water lowers"
            " a strength).\n",
        ),
        (
            ["reduce", "--strength", "63.5", "--target", "40"],
            "command line: none of --volume, --final-volume was given. Give the spirit there is,"
            " or the volume wanted.\n",
        ),
        (
            ["blend", "12@x", "5@40", "7", "1e3@nan"],
            "command line: part 1 is '12@x'. Write AMOUNT@STRENGTH or AMOUNT@STRENGTH@DEGC, as in"
            " 12000@96.4 or 500kg@0.\ncommand line: part 3 is '7'. Write AMOUNT@STRENGTH or"
            " AMOUNT@STRENGTH@DEGC, as in 12000@96.4 or 500kg@0.\ncommand line: part 4 is"
            " '1e3@nan'. Write AMOUNT@STRENGTH or AMOUNT@STRENGTH@DEGC, as in 12000@96.4 or"
            " 500kg@0.\n",
        ),
    ],
)
def test_faults_are_told_in_one_message(capsys, words: list[str], message: str) -> None:
    assert call(capsys, *words) == (ExitCode.BAD_INPUT, "", message)


def test_wrong_usage(capsys) -> None:
    code, out, err = call(capsys, "convert", "--strength", "strong")
    assert (code, out) == (2, "")
    assert "Invalid value for '--strength'" in err


def test_errors_are_raised_not_printed_by_the_commands() -> None:
    runner = CliRunner()
    assert isinstance(runner.invoke(liquid.app, ["convert"]).exception, InputError)
    outside = runner.invoke(liquid.app, ["convert", "--strength", "101"])
    assert isinstance(outside.exception, OutOfRangeError)
    assert outside.output == ""


def test_the_examples_of_the_help_run(capsys) -> None:
    commands = typer.main.get_command(liquid.app).commands  # type: ignore[attr-defined]
    assert sorted(commands) == ["blend", "convert", "reduce"]
    for name, command in commands.items():
        example = " ".join(re.search(r"Example: (.*)", command.help, re.DOTALL)[1].split())
        words = shlex.split(example)
        assert words[:3] == ["bulkflow", "liquid", name]
        code, out, _ = call(capsys, *words[2:])
        assert code == 0
        assert out
