"""Parse drawings, and make traces to draw."""

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np

from support.chart_traces import make_shots

SVG = "{http://www.w3.org/2000/svg}"


def parse(picture):
    assert picture.title
    assert picture.description.endswith(".")
    return ElementTree.fromstring(picture.svg)


def tips(picture):
    return [each.text for each in parse(picture).iter(SVG + "title")]


def sharp_shots(count=1, role="chart", step_of_best=None):
    """Traces with MTF50 from 0.4 in the middle to 0.2 in the corners; blur grows away from the best step, if given."""
    found = []
    for k, trace in enumerate(make_shots(count)):
        place = trace.centre_px[1]
        off = place - [(trace.width_px - 1) / 2, (trace.height_px - 1) / 2]
        height = np.hypot(*off.T) / (np.hypot(trace.width_px, trace.height_px) / 2)
        value = 0.4 - 0.2 * height
        if step_of_best is not None:
            value = (value**-2 + 4.0 * (k - step_of_best) ** 2) ** -0.5
        both = np.stack([value, 0.9 * value], axis=-1)
        frequency = np.linspace(0, 0.6, 31)
        mtf = 0.5 ** ((frequency / both[..., None]) ** 2)
        planes = len(trace.planes)
        found.append(
            replace(
                trace,
                role=role,
                sequence_count=k,
                mtf50=np.repeat(both[None], planes, axis=0),
                mtf50_u=np.full((planes, *both.shape), 0.002),
                frequency=frequency,
                mtf=np.repeat(mtf[None], planes, axis=0).astype(np.float32),
                radius_px=np.full((planes, len(value)), 60.0),
            )
        )
    return tuple(found)
