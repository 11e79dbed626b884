"""The rig's light: shadows, the dome near walls, walls, gloss and the phone, against figures worked out another way."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.rig.camera import focal_px_of, pose_above, project
from calibration.rig.lighting import shine_of
from calibration.rig.outlines import rectangle_outline
from calibration.rig.packing import pack_pieces
from calibration.rig.rendering import render
from calibration.rig.scene import Camera, Card, Curl, Face, Lamp, Light, Mat, Phone, Place, Sampling, Scene
from calibration.rig.shading import rim_normal

Floats = NDArray[np.float64]
PX_PER_MM = 20.0


def camera_over(x_mm: float, y_mm: float, *, width: int = 240, height: int = 120, distance_mm: float = 400.0) -> Camera:
    """A narrow camera straight above a place, 20 px/mm."""
    rotation, centre = pose_above(target_mm=(x_mm, y_mm), distance_mm=distance_mm)
    return Camera(
        width=width,
        height=height,
        focal_px=PX_PER_MM * distance_mm,
        principal_px=((width - 1) / 2, (height - 1) / 2),
        rotation=rotation,
        centre_mm=centre,
    )


def slab(*, thickness_mm: float = 0.5, size_mm: float = 60.0, x_mm: float = -30.0, curl: Curl | None = None) -> Card:
    """A square card whose right side lies at x = 0."""
    return Card(
        outline=rectangle_outline(size_mm, size_mm),
        place=Place(x_mm=x_mm, y_mm=0.0),
        width_mm=size_mm,
        height_mm=size_mm,
        face=Face(style="even"),
        thickness_mm=thickness_mm,
        rim_mm=0.0,
        gloss=0.0,
        core=(0.0, 0.0, 0.0),
        curl=curl,
    )


def row_of(scene: Scene, *, seed: int = 2) -> tuple[Floats, Floats]:
    """Places on the mat (x in mm) of the picture's columns, and the mean green radiance of each."""
    picture = render(scene, seed=seed)[..., 1].astype(float)
    c = scene.camera
    x = c.centre_mm[0] + (np.arange(c.width) - c.principal_px[0]) * c.centre_mm[2] / c.focal_px
    return np.asarray(x, np.float64), np.asarray(picture.mean(0), np.float64)


FINE = Sampling(plain=4, face=8, print=16, edge=48, lamp=8)


def test_a_shadow_is_as_long_as_thickness_and_lamp_height_say() -> None:
    """A small lamp 30 degrees above the table, on the left: half-lit at thickness / tan 30 from the edge."""
    e = math.radians(30)
    lamp = Lamp(centre_mm=(-1000 * math.cos(e), 0.0, 1000 * math.sin(e)), size_mm=(10.0, 10.0))
    light = Light(lamps=(lamp,), ambient=(0.0, 0.0, 0.0))
    scene = Scene(camera=camera_over(2.0, 0.0), light=light, mat=Mat(name="even"), cards=(slab(),), sampling=FINE)
    x, seen = row_of(scene)
    _, bare = row_of(replace(scene, cards=()))
    share = seen / bare
    far = (x > 0.1) & (x < 4)
    edge = np.interp(0.5, share[far], x[far])
    assert share[(x > 0.1) & (x < 0.6)].max() < 0.02
    assert share[x > 3].min() > 0.97
    assert edge == pytest.approx(0.5 / math.tan(e), abs=0.03)


def test_a_wide_lamp_makes_a_wide_half_shadow() -> None:
    """The half-shadow of a lamp of 400 mm is some twenty times as wide as that of a lamp of 20 mm."""
    widths = []
    for size in (20.0, 400.0):
        lamp = Lamp(centre_mm=(-800.0, 0.0, 800.0), size_mm=(size, size))
        light = Light(lamps=(lamp,), ambient=(0.0, 0.0, 0.0))
        scene = Scene(
            camera=camera_over(2.0, 0.0), light=light, mat=Mat(name="even"), cards=(slab(thickness_mm=1.0),),
            sampling=FINE,
        )  # fmt: skip
        x, seen = row_of(scene)
        share = seen / row_of(replace(scene, cards=()))[1]
        rise = (share > 0.1) & (share < 0.9) & (x > 0.1)
        widths.append(np.count_nonzero(rise) / PX_PER_MM)
    # 1 mm high at 45 degrees: the shadow's end moves by twice the lamp's apparent tilt, 20 or 400 over 1131 mm.
    assert widths[0] < 0.1
    assert widths[1] == pytest.approx(2 * 400 / 1131 * 0.8, rel=0.25)


@pytest.mark.parametrize("distance_mm", [0.15, 0.4, 1.0])
def test_the_dome_near_a_wall_is_hidden_as_much_as_sampling_finds(distance_mm: float) -> None:
    """Ambient light at the foot of a long black wall, against 200 000 cosine-weighted directions traced here."""
    light = Light(lamps=(), ambient=(1.0, 1.0, 1.0))
    scene = Scene(
        camera=camera_over(distance_mm, 0.0, width=5, height=5), light=light, mat=Mat(name="even"),
        cards=(slab(thickness_mm=0.5),), sampling=FINE,
    )  # fmt: skip
    share = row_of(scene)[1][2] / row_of(replace(scene, cards=()))[1][2]
    rng = np.random.default_rng(4)
    radius, turn = np.sqrt(rng.uniform(0, 1, 200_000)), rng.uniform(0, 2 * np.pi, 200_000)
    dx, dy, dz = radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1 - radius**2)
    t = -distance_mm / dx  # where the ray meets the wall's plane, x = 0
    hidden = (dx < 0) & (t * dz < 0.5) & (np.abs(t * dy) < 30)
    assert share == pytest.approx(1 - hidden.mean(), abs=0.01)


def test_below_a_raised_rim_it_is_darker_than_before_it() -> None:
    """Seen aslant, the mat under a curled card's rim gets less of the dome than the mat beside it."""
    card = slab(thickness_mm=0.3, curl=Curl(rise_mm=1.0, across=0))
    rotation, centre = pose_above(target_mm=(0.0, 0.0), distance_mm=400.0, tilt_deg=55.0, azimuth_deg=0.0)
    camera = replace(camera_over(0.0, 0.0), rotation=rotation, centre_mm=centre)
    scene = Scene(
        camera=camera, light=Light(lamps=(), ambient=(1.0, 1.0, 1.0)), mat=Mat(name="even"), cards=(card,),
        sampling=FINE,
    )  # fmt: skip
    share = render(scene)[..., 1].astype(float) / render(replace(scene, cards=()))[..., 1]
    spots = np.array([[-0.5, 0.0, 0.0], [-0.05, 0.0, 0.0], [1.0, 0.0, 0.0], [6.0, 0.0, 0.0]])
    column, row = np.rint(project(camera, spots)).astype(int).T
    values = share[row, column]
    assert values[0] < values[1] < values[2] < values[3] <= 1.001


def test_the_wall_towards_the_lamp_is_lit_and_the_other_is_not() -> None:
    """Side walls of a white core, seen aslant: with a lamp on the right the right wall is several times as bright."""
    lamp = Lamp(centre_mm=(900.0, 0.0, 500.0), size_mm=(50.0, 50.0))
    card = replace(slab(thickness_mm=1.0), core=(0.8, 0.8, 0.8))
    values = []
    for x, azimuth in ((0.0, 0.0), (-60.0, 180.0)):
        rotation, centre = pose_above(target_mm=(x, 0.0), distance_mm=400.0, tilt_deg=45.0, azimuth_deg=azimuth)
        camera = replace(camera_over(0.0, 0.0), rotation=rotation, centre_mm=centre)
        light = Light(lamps=(lamp,), ambient=(0.1, 0.1, 0.1))
        scene = Scene(camera=camera, light=light, mat=Mat(name="black"), cards=(card,), sampling=FINE)
        column, row = np.rint(project(camera, np.array([[x, 0.0, 0.5]]))[0]).astype(int)
        values.append(float(render(scene)[row, column, 1]))
    # Lit: cos of the lamp's elevation times its strength, and half the dome; unlit: half the dome only.
    assert values[0] == pytest.approx(0.8 * (900 / math.hypot(900, 500) + 0.05), rel=0.05)
    assert values[1] == pytest.approx(0.8 * 0.05, rel=0.05)


def test_the_phone_throws_a_shadow_where_its_outline_projects() -> None:
    """A small lamp above the phone: dark below it, lit outside."""
    lamp = Lamp(centre_mm=(0.0, 0.0, 2000.0), size_mm=(5.0, 5.0))
    phone = Phone(size_mm=(80.0, 160.0), shift_mm=(0.0, 0.0))
    camera = replace(camera_over(0.0, 0.0), focal_px=focal_px_of(26, width=240, height=120))
    light = Light(lamps=(lamp,), ambient=(0.0, 0.0, 0.0), phone=phone)
    picture = render(Scene(camera=camera, light=light, mat=Mat(name="even"), sampling=FINE))[..., 1]
    half = 40 * 2000 / 1600  # the shadow of half the phone's width, on the table
    for x, dark in ((0.0, True), (half - 8, True), (half + 8, False), (-half - 8, False)):
        column, row = np.rint(project(camera, np.array([[x, 0.0, 0.0]]))[0]).astype(int)
        assert (picture[row, column] < 0.01) == dark


def test_gloss_returns_no_more_light_than_falls_on_it() -> None:
    """The lobe integrated over all outgoing directions (albedo) stays between its Fresnel share and 1; and it is
    the same with lamp and eye exchanged (Helmholtz)."""
    rng = np.random.default_rng(8)
    up, to = (0.0, 0.0, 1.0), (math.sin(0.4), 0.0, math.cos(0.4))
    for roughness in (0.25, 0.4, 0.6):
        radius, turn = np.sqrt(rng.uniform(0, 1, 20_000)), rng.uniform(0, 2 * np.pi, 20_000)
        backs = zip(radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1 - radius**2), strict=True)
        # Cosine-weighted directions: the mean of pi times the reflectance per steradian is the albedo.
        albedo = float(np.mean([shine_of(1.0, roughness, up, to, back) for back in backs]))
        assert 0.025 < albedo < 0.06
        other = (0.3, -0.2, math.sqrt(1 - 0.13))
        assert shine_of(1.0, roughness, up, to, other) == pytest.approx(shine_of(1.0, roughness, up, other, to))


@pytest.mark.parametrize("tilt_deg", [-30.0, 0.0, 20.0])
def test_the_rim_is_shaded_like_a_quarter_circle(tilt_deg: float) -> None:
    """Normals along the sharp edge, against a quarter circle drawn point by point and projected along the same rays."""
    rim, tilt = 0.05, math.radians(tilt_deg)
    row, _ = pack_pieces(Scene(camera=camera_over(0, 0), light=Light(lamps=()), mat=Mat(name="even"),
                               cards=(replace(slab(), rim_mm=rim),)), texel_per_mm=2.0)  # fmt: skip
    back = (math.sin(tilt), 0.0, math.cos(tilt))
    turns = np.linspace(0, math.pi / 2, 20_001)
    seen = rim * (np.sin(turns) * math.cos(tilt) + (1 - np.cos(turns)) * math.sin(tilt))
    seen = seen[: int(np.argmax(seen)) + 1]  # beyond the silhouette nothing is seen
    for past, depth in ((0.0, 0.0), (0.01, 0.0), (0.035, 0.0), (0.05, 0.0), (0.05, 0.02), (0.05, 0.2)):
        if depth > 0 and tilt <= 0:
            continue
        place = past * math.cos(tilt) + depth * math.sin(tilt)
        expected = turns[int(np.argmin(np.abs(seen - place)))]
        n = rim_normal(row[0], 30.0, 0.0, past, depth, back)
        assert math.atan2(n[0], n[2]) == pytest.approx(expected, abs=0.01)


def test_a_white_sheet_in_even_light_is_as_bright_as_its_reflectance() -> None:
    """Energy: reflectance times irradiance, with nothing in the way."""
    scene = Scene(
        camera=camera_over(-30.0, 0.0), light=Light(lamps=(), ambient=(0.7, 0.5, 0.3)), mat=Mat(name="black"),
        cards=(slab(),), sampling=FINE,
    )  # fmt: skip
    np.testing.assert_allclose(render(scene)[60, 120], np.array([0.7, 0.5, 0.3]) * 0.84, rtol=1e-3)
