"""Files without an exposure time: the ticket gives it, and `check` asks for it."""

from glasswright import Setting, Shot
from glasswright.config import load_plan
from glasswright.config.schema.plugins import load_plugins
from glasswright.config.ticket.file import TicketFile
from glasswright.intake.index import Survey
from glasswright.intake.shot_setting import Nominal, ShotRule, settle
from glasswright.judging.cards import load_cards
from glasswright.plugin.artefact import CaptureFacts
from glasswright.plugin.roles import Role
from glasswright.run.readiness import CAN, CANNOT, Bench, foresee
from support import ROOT

PLUGINS = load_plugins()
MODEL = "Corvane 50 mm f/2"
TICKET = TicketFile.model_validate(
    {
        "ticket": "T-0001",
        "lens": {"model": MODEL, "serial": "C50-00417"},
        "phase": "release",
        "body": {"model": "Ostrel D7"},
    }
)


def make_survey(exposure_time_s):
    """Three flats, a chart, a ramp and two darks at each f-number, with an exposure time or without."""
    shots = [
        Shot(
            ticket="T-0001",
            role=role,
            name=f"{role}/{n}_f{number}.tif",
            path="",
            sha256="",
            sequence=n,
            facts=CaptureFacts(exposure_time_s=exposure_time_s),
            setting=Setting(focal_length_mm=50, f_number=number),
        )
        for number in (2, 4, 8)
        for role, count in (("chart", 1), ("flat", 3), ("ramp", 1))
        for n in range(count)
    ]
    return Survey(unsettled=(), contradictions=(), shots=tuple(shots), has_checksums=True)


def outlooks(survey):
    plan = load_plan(ROOT / "configs/plans/fixed_focal.yaml", PLUGINS)
    card = load_cards(ROOT / "configs/cards")[MODEL].card
    found = foresee(TICKET, survey, card, Bench(plan=plan, stand=None, roles=PLUGINS.roles))
    return {each.limit: each for each in found.limits}


def test_a_limit_on_the_aperture_needs_exposure_times_and_check_asks_for_them():
    timed, untimed = outlooks(make_survey(0.25)), outlooks(make_survey(None))
    differ = {limit for limit in timed if timed[limit].outlook != untimed[limit].outlook}
    assert {limit.partition(" ")[0] for limit in differ} == {
        "measure_aperture.aperture_step_error_ev",
        "measure_aperture.aperture_common_error_ev",
        "measure_aperture_scatter.aperture_scatter_ev",
        "measure_transmission.transmission_ev",
    }
    for limit in differ:
        assert (timed[limit].outlook, untimed[limit].outlook) == (CAN, CANNOT)
    (reason,) = untimed["measure_aperture.aperture_step_error_ev"].reasons
    assert reason == (
        "12 of 12 shots have no exposure time in EXIF or ticket.yaml (chart/0_f2.tif): give `exposure_time_s` in "
        "ticket.yaml under `shots`"
    )


def test_check_asks_for_three_flats_where_the_aperture_is_stopped_down():
    survey = make_survey(0.25)
    few = [shot for shot in survey.shots if shot.role != "flat" or shot.sequence == 0]
    found = outlooks(Survey(unsettled=(), contradictions=(), shots=tuple(few), has_checksums=True))
    lacking = next(each for limit, each in found.items() if limit.startswith("measure_aperture_scatter"))
    assert lacking.outlook == CANNOT
    assert lacking.reasons == ("flat at 50 mm f/4: 2 shots lacking", "flat at 50 mm f/8: 2 shots lacking")


def test_the_tickets_exposure_time_is_used_for_every_role_with_a_setting():
    rule = ShotRule(files="flat/*", exposure_time_s=0.5)
    found = settle("flat/1.tif", Role(), CaptureFacts(f_number=4.0), (rule,), Nominal())
    assert found.exposure_time_s == 0.5
    assert found.setting is not None
    assert found.setting.exposure_time_s is None
    assert settle("flat/1.dng", Role(), CaptureFacts(exposure_time_s=0.1), (), Nominal()).exposure_time_s == 0.1
