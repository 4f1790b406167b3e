"""The web page: whole in one file, nothing from outside, sound structure, hostile text as text, the same numbers."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
import sample_findings as sample
from sample_cases import HEADER_WITH_MARKUP, SCOPE, cases

from outcomes.findings import VERDICTS
from outcomes.report.compose import compose
from outcomes.report.settable import settable_data
from outcomes.report.typeset import Written, typeset
from outcomes.report.webpage import _DASH, _MARK

VOID = {"meta", "link", "br", "hr", "img", "input", "path", "circle", "rect", "polygon", "use", "line"}


class _Page(HTMLParser):
    """Elements with their attributes in order, text by element, and whether every element is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self.open or self.open[-1] != tag:
            self.wrong.append(tag)
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if not {"style", "script"} & set(self.open):
            self.text.append(data)


def _spaced(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    report = compose(sample.findings(), cases(), SCOPE, title="Invented <audit> & co", organisation="Clinic *A* & #b")
    return typeset(report, tmp_path_factory.mktemp("page") / "2026Q3", html=True)


@pytest.fixture(scope="module")
def source(written: Written) -> str:
    assert written.html is not None
    return written.html.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(source: str) -> _Page:
    parser = _Page()
    parser.feed(source)
    parser.close()
    return parser


def test_every_element_is_closed_and_every_identifier_is_its_own(page: _Page):
    assert page.wrong == []
    assert page.open == []
    identifiers = [a["id"] for _, a in page.elements if "id" in a]
    assert len(identifiers) == len(set(identifiers))


def test_what_is_pointed_at_is_there(page: _Page):
    identifiers = {a["id"] for _, a in page.elements if "id" in a}
    pointed = [a["aria-labelledby"] for _, a in page.elements if a.get("aria-labelledby")]
    linked = [
        a["href"].removeprefix("#") for tag, a in page.elements if tag == "a" and (a.get("href") or "").startswith("#")
    ]
    assert len(pointed) > 5
    assert len(linked) > 5
    assert set(pointed) <= identifiers
    assert set(linked) <= identifiers


def test_landmarks_tables_and_pictures_speak(page: _Page):
    tags = [tag for tag, _ in page.elements]
    for landmark in ("header", "nav", "main", "footer"):
        assert tags.count(landmark) == 1
    assert tags.count("h1") == 1
    assert all(a.get("scope") in ("col", "row", "rowgroup") for tag, a in page.elements if tag == "th")
    pictures = [a for tag, a in page.elements if tag == "svg" and a.get("role") == "img"]
    assert len(pictures) == tags.count("figure") > 0
    assert all(a["aria-label"] for a in pictures)
    silent = [a for tag, a in page.elements if tag == "svg" and a.get("role") != "img"]
    assert all(a.get("aria-hidden") == "true" for a in silent)
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_nothing_is_asked_of_the_network_and_only_our_script_runs(source: str, page: _Page):
    addresses = [
        v for _, a in page.elements for k, v in a.items() if k in ("src", "href", "xlink:href", "action") and v
    ]
    assert all(address.startswith("#") for address in addresses)
    assert re.findall(r"url\((?!#|data:font/woff)[^)]*\)", source) == []
    policy = next(a["content"] for tag, a in page.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert policy.startswith("default-src 'none'")
    scripts = re.findall(r"<script>(.*?)</script>", source, re.DOTALL)
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].encode("utf-8")).digest()).decode("ascii")
    assert f"script-src 'sha256-{digest}'" in policy
    assert not [k for _, a in page.elements for k in a if k.startswith("on")]


def test_text_from_outside_is_text(source: str, page: _Page):
    text = "".join(page.text)
    for hostile in (*sample.HOSTILE, HEADER_WITH_MARKUP):
        assert " ".join(hostile.split()) in " ".join(text.split())
    assert "<label>" not in re.sub(r"<style>.*?</style>|<script>.*?</script>", "", source, flags=re.DOTALL)


def test_the_page_says_every_sentence_and_cell_of_the_report(written: Written, page: _Page):
    data = settable_data(json.loads(written.json.read_text(encoding="utf-8")))  # in the characters that fonts hold
    text = " ".join("".join(page.text).split())
    for sentence in (*data["summary"], data["caution"], *(h["text"] for h in data["headlines"])):
        assert " ".join(sentence.split()) in text
    cells = 0
    for section in data["sections"]:
        for block in section["blocks"]:
            if block.get("shape") == "grid":
                for row in block["rows"]:
                    cells += len(row["cells"])
                    assert all(_spaced(cell) in text for cell in row["cells"])
            if block.get("shape") == "figure":
                for row in block["as_table"]["rows"]:
                    assert all(_spaced(cell) in text for cell in row)
    assert cells > 20


def test_the_same_report_gives_the_same_page(written: Written, tmp_path: Path):
    report = compose(sample.findings(), cases(), SCOPE, title="Invented <audit> & co", organisation="Clinic *A* & #b")
    again = typeset(report, tmp_path / "2026Q3", html=True)
    assert again.html is not None
    assert written.html is not None
    assert again.html.read_bytes() == written.html.read_bytes()


def test_in_a_browser_the_script_runs_under_its_policy(written: Written):
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("no Chromium on this machine")
    found = subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom", f"file://{written.html}"],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert found.stdout.count('<button type="button">') > 5


def test_every_verdict_has_a_shape_of_its_own_whatever_its_colour() -> None:
    shapes = {word: _MARK.get(word, _DASH)[0] for word in VERDICTS}
    alike = {word for word in VERDICTS if shapes[word] == _DASH[0]}
    assert alike == {"cannot say", "too few to judge"}  # nothing is judged: one bar, told apart by its word
    told = [shape for word, shape in shapes.items() if word not in alike]
    assert len(set(told)) == len(told)
    templates = Path(__file__).parents[2] / "outcomes" / "report" / "templates"
    on_paper = re.findall(r'if verdict == "([^"]+)"', (templates / "house.typ").read_text(encoding="utf-8"))
    assert sorted(on_paper) == sorted(VERDICTS - alike)
