"""A lens with many settings has separate pages for its drawings, so that the ticket's page stays small."""

import pytest

from glasswright import Setting
from glasswright.config.schema.plugins import Plugins
from glasswright.judging.card import Card, Limit, ValidFor
from glasswright.ledger.records import Document
from glasswright.ledger.verdict import Judgement, LimitVerdict, Verdict
from glasswright.plugin.drawing import Picture, canvas, path
from glasswright.plugin.plugin_drawings import Drawings
from glasswright.reports.pages import building
from glasswright.reports.pages.figures import MOST_LETTERS, Figure, Figures, choose_leading, part_figures
from glasswright.reports.pages.formats import format_measure
from glasswright.reports.pages.limits import arrange_limits
from glasswright.reports.pages.ticket_page import order_steps
from support.page_toys import Sharp, ToyNight, outcome, text_of, verdict, write_pages

SETTINGS = [
    Setting(focal_length_mm=focal_length, f_number=f_number)
    for focal_length in (24.0, 50.0, 70.0)
    for f_number in (4.0, 5.6, 8.0)
]


def draw_heavily(sharp):
    """As much as all drawings of a rehearsed zoom's setting weigh, focus series and ramp included: 170 kilobytes."""
    svg = canvas(560, 300, path([(k % 560, 150.5) for k in range(17_000)], "line one"), label="heavy")
    return [Picture(f"Heavy at {sharp.setting}", svg, "It weighs.")]


def figures(weight, *settings):
    picture = Picture("A drawing", "x" * weight, "It weighs.")
    return [Figures(setting=each, figures=(Figure(step="toy", picture=picture),), faults=()) for each in settings]


@pytest.fixture
def zoom(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(building, "_plugins", lambda: Plugins(drawings=Drawings(one={Sharp: draw_heavily})))
    toy = ToyNight(tmp_path / "toy.ledger")
    toy.run(("T-1", [outcome("T-1", setting) for setting in SETTINGS], [verdict()]))
    out = write_pages(toy.path, tmp_path / "out", "--workers", "1")
    assert "13 pages of 1 ticket written" in capsys.readouterr().out
    return out


def test_a_zoom_with_nine_settings_has_a_ticket_page_under_a_megabyte(zoom):
    assert (zoom / "tickets/T-1.html").stat().st_size < 1_000_000
    parted = sorted((zoom / "settings").iterdir())
    assert [each.name for each in parted] == [f"T-1.{number}.html" for number in range(1, 10)]
    assert all(150_000 < each.stat().st_size < 1_000_000 for each in parted)


def test_no_drawing_is_lost(zoom):
    ticket = (zoom / "tickets/T-1.html").read_text(encoding="utf-8")
    for number, setting in enumerate(SETTINGS, start=1):
        page = zoom / f"settings/T-1.{number}.html"
        assert f'<a href="../settings/{page.name}">The 1 drawing at {setting}</a>' in ticket
        assert f"Heavy at {setting} It weighs." in text_of(page)
        assert text_of(page).count("It weighs.") == 1
        assert f"T-1 at {setting}" in text_of(page)
    assert "Heavy at 24 mm f/4" in text_of(zoom / "tickets/T-1.html")


def test_links_lead_from_setting_to_setting_and_back(zoom, browser):
    heading = "document.querySelector('h1').textContent"
    browser.open(zoom / "tickets/T-1.html")
    browser.follow("#at-2 ~ p a")
    assert browser.value(heading) == "T-1 at 24 mm f/5.6"
    browser.follow("nav.contents a:last-of-type")
    assert browser.value(heading) == "T-1 at 70 mm f/8"
    assert browser.value("document.scrollingElement.scrollWidth <= window.innerWidth")
    browser.follow("header nav a:last-of-type")
    assert browser.value(heading).startswith("T-1: ")
    assert browser.messages == []


def test_few_drawings_stay_on_the_tickets_page():
    few = figures(MOST_LETTERS // 2, "50 mm f/2", "50 mm f/8", "")[:3]
    assert [each.page for each in part_figures(few, "tickets/T-1.html")] == ["", "", ""]


def test_drawings_of_the_whole_ticket_always_stay():
    many = figures(MOST_LETTERS, "50 mm f/2", "50 mm f/8", "")
    pages = [each.page for each in part_figures(many, "tickets/T-1.html")]
    assert pages == ["settings/T-1.1.html", "settings/T-1.2.html", ""]


def test_only_measures_without_limits_on_their_uncertainty_are_listed_without_a_scale():
    def judged(measure, u):
        return LimitVerdict(measure=measure, at=str(SETTINGS[0]), verdict=Verdict.PASS, reason="r", value=3.0, u=u)

    limits = [Limit(measure=f"look.{name}_px", max=5, rule=rule) for name, rule in RULES.items()]
    card = Card(card="m", valid_for=ValidFor(stand="north-bench", body="b"), limits=tuple(limits))
    verdicts = (
        *(judged(f"look.{name}_px", None if "bare" in name else 0.1) for name in RULES),
        judged("find.n_count", 1),
    )
    judgement = Judgement(
        ticket="T-1",
        manifest="",
        card="",
        stand="",
        judge_version=1,
        verdict=Verdict.PASS,
        reasons=(),
        verdicts=verdicts,
    )
    look, find = arrange_limits(judgement, card)
    assert [group.measure for group in look.groups] == ["look.guarded_px", "look.guarded_bare_px", "look.simple_px"]
    assert [name for name, _, _ in look.plain] == [format_measure("look.simple_bare_px")]
    assert ([group.measure for group in find.groups], find.plain) == (["find.n_count"], ())
    assert arrange_limits(None, card) == ()


RULES = {"guarded": "guarded", "guarded_bare": "guarded", "simple": "simple", "simple_bare": "simple"}


def test_the_drawings_that_lead_are_of_two_missed_steps_failures_first():
    def judged(step, decision, setting=""):
        return LimitVerdict(measure=f"{step}.worst_px", at=setting, verdict=decision, reason="r")

    def drawn(setting, *titles):
        made = [Figure(step="toy", picture=Picture(title, "<svg/>", "")) for title in titles]
        return Figures(setting=setting, figures=tuple(made), faults=())

    def choose(*verdicts):
        judgement = Judgement(
            ticket="T-1",
            manifest="",
            card="",
            stand="",
            judge_version=1,
            verdict=Verdict.FAIL,
            reasons=(),
            verdicts=verdicts,
        )
        return [figure.picture.title for figure in choose_leading(groups, judgement, LEADING)]

    near, far = map(str, SETTINGS[:2])
    groups = [drawn("", "Spots on the sensor"), drawn(near, "A map", "Sharp near"), drawn(far, "Sharp far", "Tilt")]
    sharp, again = judged("sharp", Verdict.FAIL, far), judged("sharp", Verdict.FAIL, near)
    tilt, spots, plain = (
        judged("tilt", Verdict.REVIEW, far),
        judged("spots", Verdict.FAIL),
        judged("plain", Verdict.FAIL),
    )
    assert choose(sharp) == ["Sharp far"]
    assert choose(tilt, again, sharp) == ["Sharp near", "Tilt"]
    assert choose(tilt, plain, sharp, spots) == ["Sharp far", "Spots on the sensor"]
    assert choose(judged("sharp", Verdict.PASS, far), judged("tilt", Verdict.FAIL, near)) == []
    assert choose_leading(groups, None, LEADING) == []


LEADING = {"sharp": "Sharp", "tilt": "Tilt", "spots": "Spots"}


def test_steps_have_the_order_of_the_plans_text():
    text = """\
plan: toy
settings:
  focal_length_mm: [50]
stages:
  zeta:
    stage: toy.zeta
    inputs:
      shot: role.chart
  alpha:
    stage: toy.alpha
"""
    steps = order_steps(Document(kind="plan", name="toy", text=text, sha256=""))
    assert steps == ("zeta", "alpha")
    assert order_steps(None) == ()
