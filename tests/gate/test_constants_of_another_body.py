"""A lens shot on another body than the stand's constants were measured on is not released."""

from datetime import date

import pytest

from support.night_bench import STAND

CONSTANTS = f"""\
constants:
  sensor:
    measured: "{date.today().isoformat()}"
    holds_days: 3650
    body: Ostrel D7
    body_serial: "D7-0031"
    rests: ["combine_chart.*"]
    values: {{white_dn: {{value: 16000.0, u: 2.5}}}}
    origin: "K. Moreau, 24 flats"
"""


@pytest.mark.parametrize(
    ("serial", "code", "reason"),
    [
        (', serial: "D7-0031"', 0, "the one limit is met"),
        (', serial: "D7-0032"', 11, "on the body with serial number `D7-0031`, the lens was shot on `D7-0032`"),
        ("", 11, "neither the files nor the ticket say which body the lens was shot on"),
    ],
)
def test_the_bodys_serial_number_decides(shop, serial, code, reason):
    shop.bench.write("stand.yaml", STAND + CONSTANTS)
    shop.add(1)
    path = shop.bench.folder / "night/T-0001/ticket.yaml"
    path.write_text(path.read_text().replace("body: {model: Ostrel D7", f"body: {{model: Ostrel D7{serial}"))
    shop.measure()
    found, decision = shop.gate("T-0001")
    assert found == code
    assert any(reason in each for each in decision["reasons"])
