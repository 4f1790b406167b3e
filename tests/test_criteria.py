"""The standards in audit.toml: changed, switched off, added; a slip is answered with the nearest right word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outcomes.errors import ProtocolError
from outcomes.protocol import CRITERIA, Condition, Criterion, Protocol, commented_default, load_protocol
from outcomes.protocol.commented import MEANINGS
from outcomes.protocol.read import NAMES, PLAIN, RANGES, TABLES
from outcomes.protocol.read_criteria import read_criteria


def _read(tmp_path, text):
    path = tmp_path / "audit.toml"
    path.write_text(text, encoding="utf-8")
    return load_protocol(path)


def test_the_default_set_is_the_documented_one():
    assert [(c.id, c.target, c.direction, c.rule, c.unit) for c in CRITERIA] == [
        ("consent_before_treatment", 1.0, "at least", "census", "session"),
        ("baseline_photographs", 1.0, "at least", "census", "session"),
        ("skin_type_and_history", 1.0, "at least", "census", "zone"),
        ("settings_complete", 0.98, "at least", "census", "zone"),
        ("eye_shields", 1.0, "at least", "census", "zone"),
        ("antiviral_cover", 0.95, "at least", "census", "zone"),
        ("injected_dose", 1.0, "at least", "census", "session"),
        ("pain", 0.80, "at least", "interval", "session"),
        ("early_review", 0.90, "at least", "census", "session"),
        ("late_review", 0.70, "at least", "census", "session"),
        ("face_healed", 0.95, "at least", "interval", "zone"),
        ("infection", 0.02, "at most", "interval", "zone"),
        ("pigment_light_skin", 0.05, "at most", "interval", "zone"),
        ("pigment_dark_skin", 0.20, "at most", "interval", "zone"),
        ("severe_events_reviewed", 1.0, "at least", "census", "zone"),
        ("improvement", 0.75, "at least", "interval", "zone"),
        ("redness_assessed", 1.0, "at least", "census", "zone"),
    ]


def test_a_default_is_changed_by_its_id_and_the_rest_stand(tmp_path):
    protocol = _read(tmp_path, '[[criteria]]\nid = "pain"\ntarget = 0.9\nlimit = 4\n')
    assert protocol.criterion("pain") == replace(Protocol().criterion("pain"), target=0.9, limit=4.0)
    assert len(protocol.criteria) == len(CRITERIA)
    assert protocol.changed == ("criteria",)


def test_one_is_switched_off_and_one_added(tmp_path):
    protocol = _read(
        tmp_path,
        '[[criteria]]\nid = "pain"\nuse = false\n'
        '[[criteria]]\nid = "advice"\ntitle = "Written advice handed over"\nmeasure = "yes"\n'
        'columns = ["written_advice"]\nunit = "session"\ntarget = 1\nwhere = { region = "face", sedation = ["oral"] }\n',
    )
    ids = [criterion.id for criterion in protocol.criteria]
    assert "pain" not in ids
    assert ids[-1] == "advice"
    assert protocol.criteria[-1] == Criterion(
        "advice",
        "Written advice handed over",
        "yes",
        1.0,
        unit="session",
        columns=("written_advice",),
        where=(Condition("region", ("face",)), Condition("sedation", ("oral",))),
    )


def test_what_rests_on_an_estimate_is_judged_by_its_interval():
    (added,) = [
        c
        for c in read_criteria(
            [{"id": "scars", "title": "Scarring", "measure": "outcome", "outcomes": ["scarring"], "target": 0.01}]
        )
        if c.id == "scars"
    ]
    assert (added.rule, added.direction) == ("interval", "at most")


_NEW = '[[criteria]]\nid = "mine"\ntitle = "Mine"\nmeasure = "yes"\ncolumns = ["antiviral"]\ntarget = 1\n'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("criteria = 3", "not a list of tables"),
        ("[[criteria]]\ntarget = 1", "has no id"),
        ('[[criteria]]\nid = "Pain"', "has no id"),
        ('[[criteria]]\nid = "pian"\nuse = false', "Did you mean pain?"),
        ('[[criteria]]\nid = "pian"\ntarget = 0.9', "Did you mean pain?"),
        ('[[criteria]]\nid = "other"\ntarget = 0.9', "new and has no title"),
        ('[[criteria]]\nid = "pain"\n[[criteria]]\nid = "pain"', "given twice"),
        ('[[criteria]]\nid = "pain"\ntargt = 0.9', "Did you mean target?"),
        ('[[criteria]]\nid = "pain"\ntarget = 90', "share between 0 and 1"),
        ('[[criteria]]\nid = "pain"\ntarget = true', "not a number"),
        ('[[criteria]]\nid = "pain"\nuse = "no"', "not true or false"),
        ('[[criteria]]\nid = "pain"\nmeasure = "at_mots"', "Did you mean at_most?"),
        ('[[criteria]]\nid = "pain"\ndirection = "over"', "direction"),
        ('[[criteria]]\nid = "pain"\ncolumns = ["pain_scores"]', "Did you mean pain_score?"),
        ('[[criteria]]\nid = "pain"\ncolumns = ["blocks"]', "does not hold a number"),
        ('[[criteria]]\nid = "pain"\nunit = "zone"', "belongs to the session"),
        ('[[criteria]]\nid = "pain"\ntarget = 1.0', "no interval can lie beyond"),
        ('[[criteria]]\nid = "face_healed"\nrule = "census"', "cannot be counted off"),
        ('[[criteria]]\nid = "infection"\nunit = "session"', "can only count zones"),
        ('[[criteria]]\nid = "infection"\noutcomes = ["bacterial_infections"]', "Did you mean bacterial_infection?"),
        ('[[criteria]]\nid = "infection"\noutcomes = ["faint"]', "belongs to the session"),
        ('[[criteria]]\nid = "early_review"\nfrom_day = 11', "ends before it begins"),
        ('[[criteria]]\nid = "early_review"\nby_day = 7.5', "whole number of days"),
        ('[[criteria]]\nid = "eye_shields"\nvalues = ["metal"]', "Did you mean metal_corneal?"),
        ('[[criteria]]\nid = "eye_shields"\nwhere = { region = ["eyelids"] }', "Did you mean eyelid?"),
        ('[[criteria]]\nid = "eye_shields"\nwhere = { regio = ["eyelid"] }', "Did you mean region?"),
        ('[[criteria]]\nid = "eye_shields"\nwhere = { region = { at_least = 2 } }', "no such limits"),
        ('[[criteria]]\nid = "eye_shields"\nwhere = { passes = { atleast = 2 } }', "Did you mean at_least?"),
        ('[[criteria]]\nid = "eye_shields"\nwhere = { melasma = "yes" }', "yes or no"),
        ('[[criteria]]\nid = "eye_shields"\nwhere = { pain_score = { at_least = 2 } }', "belongs to the session"),
        ('[[criteria]]\nid = "eye_shields"\nwhere = { patient_id = "7" }', "not a column"),
        (_NEW.replace('"antiviral"', '"antivirals"'), "Did you mean antiviral?"),
        (_NEW.replace('columns = ["antiviral"]\n', ""), "has no columns"),
        (_NEW.replace('"yes"', '"one_of"'), "has no values"),
    ],
)
def test_a_slip_is_answered_in_two_sentences(tmp_path, text, expected):
    with pytest.raises(ProtocolError) as caught:
        _read(tmp_path, text)
    assert expected in str(caught.value)
    assert caught.value.wrong.endswith(".")
    assert caught.value.remedy.endswith((".", "?"))


def test_every_default_would_pass_as_an_entry():
    assert read_criteria([{"id": criterion.id, "target": criterion.target} for criterion in CRITERIA]) == CRITERIA


def test_the_commented_default_is_the_defaults_and_says_every_entry(tmp_path):
    text = commented_default()
    protocol = _read(tmp_path, text)
    assert replace(protocol, sha256="") == Protocol()
    assert protocol.changed == ()
    nested = {key.split(".", 1)[1] for key in RANGES if "." in key}
    for key in (*PLAIN, *NAMES, *nested, *(c.id for c in CRITERIA)):
        assert key in text
    assert set(MEANINGS) == {*PLAIN, *NAMES, *TABLES, *(key for key in RANGES if "." in key)}


def test_one_line_of_the_commented_default_changed_is_one_entry_changed(tmp_path):
    text = commented_default().replace("fewest_judged = 10", "fewest_judged = 20")
    protocol = _read(tmp_path, text)
    assert protocol.fewest_judged == 20
    assert protocol.changed == ("fewest_judged",)
