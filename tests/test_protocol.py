"""audit.toml: what it may change, and that a slip is answered with the nearest right word."""

from __future__ import annotations

import pytest

from outcomes.errors import ProtocolError
from outcomes.protocol import Protocol, load_protocol


def _write(tmp_path, text):
    path = tmp_path / "audit.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_a_file_the_defaults_hold():
    assert load_protocol(None) == Protocol()


def test_a_file_changes_what_it_names_and_nothing_else(tmp_path):
    protocol = load_protocol(
        _write(tmp_path, 'title = "Audit"\nmodelled = ["scarring"]\n[windows.scarring]\nseen_from_day = 120\n')
    )
    assert protocol.title == "Audit"
    assert protocol.modelled == ("scarring",)
    assert protocol.outcome("scarring").seen_from_day == 120
    assert protocol.outcome("scarring").window_days == 365
    assert protocol.outcome("hyperpigmentation") == Protocol().outcome("hyperpigmentation")
    assert protocol.changed == ("modelled", "title", "windows")
    assert len(protocol.sha256) == 64


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("titel = 'x'", "Did you mean title?"),
        ("modelled = ['scaring']", "Did you mean scarring?"),
        ("[windows.scarring]\nwindow = 3", "Did you mean window_days?"),
        ("[windows.delayed_healing]\nwindow_days = 3", "follows from its definition"),
        ("[windows.scarring]\nseen_from_day = 400", "no later than window_days"),
        ("fewest_judged = 3", "between 10"),
        ("lowest_reach = 0", "between 0.05"),
        ("level = 'high'", "not a number"),
        ("seed = true", "not a whole number"),
        ("aft_family = 'gamma'", "none of loglogistic"),
        ("modelled = []", "not a list"),
        ("title = ", "not valid TOML"),
        ("[anaesthesia]\ncap = 3", "Did you mean cap_mg?"),
        ("[anaesthesia]\ncap_mg = 'x'", "not a number"),
        ("[disclosure]\nsmallest_count = 2", "between 5"),
        ("[disclosure]\nlargest_peer_share = 0.9", "between 0.1"),
        ("watch = 3", "not a table"),
    ],
)
def test_a_slip_is_answered_in_two_sentences(tmp_path, text, expected):
    with pytest.raises(ProtocolError) as caught:
        load_protocol(_write(tmp_path, text))
    assert expected in str(caught.value)
    assert caught.value.wrong.endswith(".")
    assert caught.value.remedy.endswith((".", "?"))


def test_a_file_that_is_not_there_is_named_without_its_folder(tmp_path):
    with pytest.raises(ProtocolError) as caught:
        load_protocol(tmp_path / "audit.toml")
    assert "audit.toml" in str(caught.value)
    assert str(tmp_path) not in str(caught.value)
