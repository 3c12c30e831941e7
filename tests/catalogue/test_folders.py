"""All models in some folders, and the three fictional ones of the demonstration."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.catalogue import Catalogue
from benchrig.errors import ConfigError

DEMO = Path(__file__).parents[2] / "fixtures" / "demo" / "models"


def write(folder: Path, name: str, *, file: str = "", extra: str = "") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{file or name}.toml"
    path.write_text(
        f'model = "{name}"\ntitle = "{name}"\nnormally = "open"\nrated_vacuum_kpa = 30\n{extra}\n'
        '[[limit]]\nname = "hold_leak_sccm"\nhigh = 5\nlimit_from = "made up"\n',
        encoding="utf-8",
    )
    return path


def test_models_of_all_folders_come_sorted_by_name(tmp_path: Path) -> None:
    write(tmp_path / "b", "oak-1")
    write(tmp_path / "a", "yew-2")
    write(tmp_path / "a", "ash-3", file="any-file-name")
    (tmp_path / "a" / "notes.txt").write_text("not a model", encoding="utf-8")
    found = Catalogue([tmp_path / "a", tmp_path / "b", tmp_path / "nowhere"])
    assert [model.model for model in found.all()] == ["ash-3", "oak-1", "yew-2"]
    assert found.get("oak-1").title == "oak-1"


def test_an_unknown_model_lists_near_names_and_where_it_looked(tmp_path: Path) -> None:
    write(tmp_path, "oak-1")
    write(tmp_path, "yew-2")
    with pytest.raises(ConfigError) as caught:
        Catalogue([tmp_path, tmp_path / "nowhere"]).get("oak-l")
    assert f"Valve model 'oak-l': not in the catalogue. Looked in {tmp_path} and {tmp_path / 'nowhere'}." in str(
        caught.value
    )
    assert "Did you mean oak-1?" in caught.value.hint


def test_a_model_far_from_any_name_lists_them_all(tmp_path: Path) -> None:
    write(tmp_path, "oak-1")
    with pytest.raises(ConfigError) as caught:
        Catalogue([tmp_path]).get("xxxxxxxxx")
    assert "There are: oak-1." in caught.value.hint
    with pytest.raises(ConfigError) as caught:
        Catalogue([]).get("oak-1")
    assert "Looked in no folder at all" in str(caught.value)
    assert "There are: none at all." in caught.value.hint


@pytest.mark.parametrize("name", ["", "../oak-1", "oak-1.toml", "\x00", "OAK-1", "Ölbaum", "x" * 300])
def test_odd_names_are_only_unknown(tmp_path: Path, name: str) -> None:
    write(tmp_path / "models", "oak-1")
    with pytest.raises(ConfigError, match="not in the catalogue"):
        Catalogue([tmp_path / "models"]).get(name)


def test_two_files_that_claim_one_name_are_both_named(tmp_path: Path) -> None:
    one, other = write(tmp_path / "a", "oak-1"), write(tmp_path / "b", "oak-1", file="copy")
    write(tmp_path / "b", "yew-2")
    found = Catalogue([tmp_path / "a", tmp_path / "b"])
    for ask in (lambda: found.get("oak-1"), found.all):
        with pytest.raises(ConfigError) as caught:
            ask()
        assert str(caught.value) == f"Valve model 'oak-1': claimed by {one} and {other}."
    assert found.get("yew-2").model == "yew-2"


def test_a_mistake_in_one_file_does_not_stand_in_the_way_of_another(tmp_path: Path) -> None:
    write(tmp_path, "oak-1")
    write(tmp_path, "yew-2", extra="colour = 3")
    found = Catalogue([tmp_path])
    assert found.get("oak-1").model == "oak-1"
    with pytest.raises(ConfigError, match="colour: not a name that benchrig knows"):
        found.get("yew-2")
    with pytest.raises(ConfigError, match="Mistakes in 1 of the model files there"):
        found.get("elm-4")


def test_the_broken_file_of_a_model_is_found_by_the_name_in_it(tmp_path: Path) -> None:
    write(tmp_path, "yew-2", file="other", extra="colour = 3")
    with pytest.raises(ConfigError, match="colour"):
        Catalogue([tmp_path]).get("yew-2")


def test_all_broken_files_are_told_at_once(tmp_path: Path) -> None:
    write(tmp_path, "oak-1", extra="colour = 3")
    write(tmp_path, "yew-2", extra="weight = 3")
    (tmp_path / "zzz.toml").write_text("= nothing", encoding="utf-8")
    (tmp_path / "bin.toml").write_bytes(b"\xff")
    with pytest.raises(ConfigError) as caught:
        Catalogue([tmp_path]).all()
    said = str(caught.value)
    for piece in ("colour", "weight", "zzz.toml: not valid TOML", "bin.toml: byte 0 is not UTF-8"):
        assert piece in said


def test_a_file_where_a_folder_should_be_is_told(tmp_path: Path) -> None:
    path = write(tmp_path, "oak-1")
    with pytest.raises(ConfigError, match=r"Model folder .*oak-1\.toml: cannot be read"):
        Catalogue([path]).all()


def test_the_demonstration_has_one_normally_open_and_one_high_resistance_model() -> None:
    models = {model.model: model for model in Catalogue([DEMO]).all()}
    assert sorted(models) == ["alder-24", "birch-26", "cedar-44"]
    assert {name: model.normally for name, model in models.items()} == {
        "alder-24": "closed",
        "birch-26": "open",
        "cedar-44": "closed",
    }
    assert all(model.fictional for model in models.values())
    # Its figures are our own invention, stated once in the table that the simulator's truth follows.
    wanted = {
        "alder-24": {"coil_resistance_20c_ohm": (22, 27), "hold_leak_sccm": (None, 5), "pull_in_time_ms": (None, 18)},
        "birch-26": {"coil_resistance_20c_ohm": (24, 29), "hold_leak_sccm": (None, 5), "pull_in_time_ms": (None, 20)},
        "cedar-44": {"coil_resistance_20c_ohm": (40, 48), "hold_leak_sccm": (None, 3), "pull_in_time_ms": (None, 22)},
    }
    flow = {"alder-24": 18.0, "birch-26": 26.0, "cedar-44": 8.5}
    for name, model in models.items():
        limits = {limit.name: (limit.low, limit.high) for limit in model.limits}
        assert wanted[name].items() <= limits.items()
        assert limits["flow_at_rated_vacuum_lpm_anr"] == (flow[name], None)
        assert limits["drop_out_time_ms"] == (None, 25.0)
        assert limits["click_spread_ms"] == (None, 2.0)
        assert limits["opening_delay_ms"] == (None, 30.0)
        assert {limit.limit_from for limit in model.limits} == {"made up for the demonstration"}
