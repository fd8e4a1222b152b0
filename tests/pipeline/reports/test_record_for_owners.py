"""What the owner of a lens sees on its record: the shop's logo, the picture before and after, plain words."""

import base64
import dataclasses
import io
import re
from types import SimpleNamespace

import pypdfium2
import pytest
from PIL import Image
from test_record import STAND, Shop

from glasswright.config.schema.plugins import load_plugins
from glasswright.config.stand.file import load_stand
from glasswright.errors import ConfigError
from glasswright.ledger import Ledger
from glasswright.ledger.verdict import Verdict
from glasswright.reports.record.drawing import draw_record
from glasswright.reports.record.field_picture import map_field
from glasswright.reports.record.furniture import _fill_pixels
from glasswright.reports.record.plain import describe_results
from glasswright.reports.visits import choose_earlier, find_earlier_visit
from support.ledger_toys import F2, F4, kept, state, write_night

BLUE = (20, 60, 200)


def png(size=(80, 40), colour=BLUE, kind="PNG", mode="RGB"):
    file = io.BytesIO()
    Image.new(mode, size, colour).save(file, kind)
    return file.getvalue()


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path)


UNREADABLE = "shop.logo: the logo is not a readable PNG or JPEG: export it as PNG, 600 pixels wide or more"
WITH_LOGO = STAND + 'shop: {name: "Moreau & Lind", logo: logo.png}\n'


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_the_logo_is_kept_with_the_stand_file_and_drawn_in_its_colours(shop, kind):
    (shop.folder / "logo.png").write_bytes(png(kind=kind))
    made = shop.night().judge(stand=WITH_LOGO).make()
    page = pypdfium2.PdfDocument(made.data)[0].render(scale=1).to_pil().convert("RGB")
    pixels = [page.getpixel((x, y)) for x in range(page.width) for y in range(page.height // 4)]
    near = [each for each in pixels if max(abs(one - other) for one, other in zip(each, BLUE, strict=True)) < 12]
    # 25 mm high at most and 50 mm wide, twice as wide as high: 50 mm x 25 mm at 72 dots an inch
    assert len(near) == pytest.approx(141.7 * 70.9, rel=0.05)
    # the ledger has it: the file may be gone
    (shop.folder / "logo.png").unlink()
    assert shop.verify(made.data).since == ""
    assert shop.make().data == made.data


@pytest.mark.parametrize(
    ("size", "kept_size"),
    [((1, 2000), (1, 600)), ((2000, 1), (600, 1)), ((900, 600), (600, 400)), ((80, 40), (80, 40))],
)
def test_a_large_logo_is_made_smaller_and_never_vanishes(size, kept_size):
    image = SimpleNamespace()
    _fill_pixels(image, Image.new("RGB", size, BLUE))
    assert (image.width, image.height) == kept_size
    data = base64.a85decode(image.streamContent.removesuffix("~>"))
    assert data == bytes(BLUE) * (kept_size[0] * kept_size[1])


def test_another_logo_makes_another_record(shop):
    (shop.folder / "logo.png").write_bytes(png())
    first = shop.night().judge(stand=WITH_LOGO).make()
    (shop.folder / "logo.png").write_bytes(png(colour=(200, 20, 20)))
    shop.judge(stand=WITH_LOGO)
    assert shop.make().fingerprint != first.fingerprint
    assert shop.verify(first.data).record.fingerprint == first.fingerprint


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (None, "shop.logo: the logo cannot be read (No such file or directory): correct the name"),
        (b"GIF89a" * 9, UNREADABLE),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", UNREADABLE),
        (
            png(kind="JPEG", mode="CMYK", colour=(0, 0, 0, 0)),
            "shop.logo: the logo is a JPEG in CMYK colours: write it as RGB, or as PNG",
        ),
        (png()[:-30], UNREADABLE),
        (png((2001, 4)), "shop.logo: the logo is 2001 x 4 pixels, at most 2000 along each side: make it smaller"),
        (b"\0" * 500_001, "shop.logo: the logo has 500001 bytes, at most 500000: make it smaller"),
    ],
    ids=["gone", "gif", "svg", "cmyk", "cut", "wide", "heavy"],
)
def test_a_logo_that_cannot_be_drawn_is_refused_when_the_stand_file_is_read(tmp_path, data, message):
    (tmp_path / "stand.yaml").write_text(WITH_LOGO)
    if data is not None:
        (tmp_path / "logo.png").write_bytes(data)
    with pytest.raises(ConfigError) as caught:
        load_stand(tmp_path / "stand.yaml", load_plugins())
    (problem,) = caught.value.problems
    assert str(problem).endswith(f"stand.yaml:{WITH_LOGO.count(chr(10))}: {message}")


def zones(setting, *values):
    names = ("centre", "upper_left", "upper_right", "lower_left", "lower_right")
    numbers = {f"green__{name}__mean_cy_per_px": (value, 0.01) for name, value in zip(names, values, strict=False)}
    return kept("measure_mtf50", setting, **numbers)


def visit(number, measured_at, *outcomes, phase="release"):
    return dataclasses.replace(state(*outcomes, number=number, phase=phase), measured_at=measured_at)


def test_the_picture_shows_both_visits_at_the_widest_aperture_they_share():
    before = visit("T-1", "2026-03-01T20:00:00+00:00", zones(F2, 0.4, 0.1), zones(F4, 0.4, 0.2), phase="intake")
    now = visit("T-2", "2026-03-05T20:00:00+00:00", zones(F4, 0.4, 0.3, 0.3, 0.3, float("nan")))
    picture = map_field(now, before)
    assert picture.heading == "Sharpness over the picture at 50 mm f/4"
    assert [side.caption for side in picture.sides] == ["before: ticket T-1, intake, 2026-03-01", "now: ticket T-2"]
    assert [[each.text for each in side.numbers] for side in picture.sides] == [
        ["0.400", "0.200"],
        ["0.400", "0.300", "0.300", "0.300"],
    ]
    upper_left = picture.sides[1].numbers[1]
    assert (upper_left.across < 0, upper_left.down < 0, upper_left.share) == (True, True, 0.75)


def test_a_first_visit_stands_alone_and_nothing_measured_is_no_picture():
    now = visit("T-2", "2026-03-05T20:00:00+00:00", zones(F2, 0.4))
    assert [side.caption for side in map_field(now, None).sides] == ["now: ticket T-2"]
    assert map_field(visit("T-3", "2026-03-05T20:00:00+00:00", kept("measure_fringing")), None) is None


def test_the_visit_before_is_the_latest_of_the_same_lens(tmp_path):
    path = tmp_path / "bench.ledger"
    for number, serial in (("T-1", "C50-1"), ("T-2", "C50-1"), ("T-3", "C50-9"), ("T-4", "C50-1")):
        write_night(path, (number,), serial=serial)
    with Ledger.open_for_reading(path) as ledger:
        states = {each.record.ticket.number: each for each in ledger.latest_tickets()}
        assert find_earlier_visit(ledger, states["T-4"]).record.ticket.number == "T-2"
        assert find_earlier_visit(ledger, states["T-3"]) is None
    intake, release = (visit("T-9", "2026-03-01", phase=phase) for phase in ("intake", "release"))
    assert choose_earlier(release, [intake]) is intake
    assert choose_earlier(intake, [release]) is None


def test_what_passes_is_said_plainly_with_its_number(shop):
    """The camera's words for its own measures; what no plugin names is said by its name."""
    shop.night().judge()
    from glasswright.reports.record.evidence import gather_evidence

    with Ledger.open_for_reading(shop.ledger) as ledger:
        gated = gather_evidence(ledger, "T-1").gated
    first, *_ = gated.judgement.verdicts
    lowest = [
        dataclasses.replace(first, measure="measure_mtf50.green.worst_cy_per_px", at=f"50 mm f/{stop}", lower=0.2)
        for stop in (2, 4)
    ]
    judgement = dataclasses.replace(gated.judgement, verdicts=tuple(lowest))
    (sentence,) = describe_results(dataclasses.replace(gated, judgement=judgement))
    assert re.fullmatch(
        r"Sharp in all corners at 50 mm f/2 and f/4 \(0\.\d+ ± 0\.\d+ cycles/pixel at 50 mm f/\d; limit ≥ 0\.2\)\.",
        sentence,
    )


def test_a_sentence_that_another_verdict_contradicts_is_not_said(shop):
    """Two limits share a sentence: it is said once if both are met, and not at all if one is missed."""
    shop.night().judge()
    from glasswright.reports.record.evidence import gather_evidence

    with Ledger.open_for_reading(shop.ledger) as ledger:
        gated = gather_evidence(ledger, "T-1").gated
    first, *_ = gated.judgement.verdicts
    red, blue = (
        dataclasses.replace(first, measure=f"measure_fringing.{pair}.worst_pct", at="50 mm f/2", lower=None, upper=0.5)
        for pair in ("red_green", "blue_green")
    )

    def say(*verdicts):
        judgement = dataclasses.replace(gated.judgement, verdicts=verdicts)
        return describe_results(dataclasses.replace(gated, judgement=judgement))

    (both,) = say(red, blue)
    assert both.startswith("Hardly any colour fringes at 50 mm f/2 (")
    missed, met = say(dataclasses.replace(red, verdict=Verdict.FAIL), blue)
    assert missed.startswith("Red colour fringe: not in order at 50 mm f/2 (")
    assert met.startswith("Blue colour fringe: in order at 50 mm f/2 (")


@pytest.mark.parametrize("count", [8, 40])
def test_what_the_owner_reads_is_on_one_page(shop, count):
    """40 sentences of a line each are more than any shipped card makes."""
    content = shop.night().judge().make().content
    sentence = (
        "Colour fringes in the corners as they should be at 24 mm, 50 mm and 70 mm (0.0126 ± 0.0012 %; limit ≤ 0.02)."
    )
    long = dataclasses.replace(content, found=(sentence,) * count)
    document = pypdfium2.PdfDocument(draw_record(long, paper="A4", note="", fingerprint="ab" * 32))
    texts = [page.get_textpage().get_text_range() for page in document]
    assert texts[0].count("Colour fringes in the corners") == count
    assert "Signed by" in texts[0]
    assert ["In numbers" in text for text in texts[:2]] == [False, True]
