"""What a shot shows, as data: camera, light, mat, printed squares, cards, and what the phone does to the picture.

World: millimetres, x to the right, y away, z up; the mat's top is z = 0; the camera looks down. Every piece has a
frame of its own: origin in its middle, x to the right and y **down** as one reads its face; `turn_deg` turns the piece
anticlockwise as seen from above. Colours are linear reflectances or intensities, red, green, blue.
"""

from __future__ import annotations

from dataclasses import dataclass, field

Rgb = tuple[float, float, float]
Xy = tuple[float, float]
Xyz = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A pinhole camera with the Brown-Conrady distortion of OpenCV; the centre of the first pixel is (0, 0).

    `rotation` is the rotation vector from world to camera axes (x right, y down, z forward), `centre_mm` the place of
    the pinhole. `principal_px` is the principal point. `lateral_red`, `lateral_blue`: radial magnification of the
    red and the blue picture relative to the green one, about the principal point.
    """

    width: int
    height: int
    focal_px: float
    principal_px: Xy
    rotation: Xyz
    centre_mm: Xyz
    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    lateral_red: float = 1.0
    lateral_blue: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Lamp:
    """A rectangular lamp of uniform radiance: its middle, its size, the point it faces.

    `strength` is the irradiance it would give a surface at `aim_mm` that faces it.
    """

    centre_mm: Xyz
    size_mm: Xy
    aim_mm: Xyz = (0.0, 0.0, 0.0)
    strength: float = 1.0
    rgb: Rgb = (1.0, 1.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Phone:
    """The phone as an opaque rectangle in the camera's image plane; `shift_mm`: its middle, seen from the camera."""

    size_mm: Xy = (74.0, 152.0)
    shift_mm: Xy = (0.0, 50.0)


@dataclass(frozen=True, kw_only=True)
class Shade:
    """A pattern of shadow that something outside the picture throws over the table, one of `shades.KINDS`.

    `depth`: share of the light that is lost where the shadow is full; its shape and place are drawn by `seed`.
    """

    kind: str
    depth: float
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class Light:
    """Lamps, and an ambient dome of irradiance `ambient` that is brighter by `side` towards `side_deg` of azimuth."""

    lamps: tuple[Lamp, ...]
    ambient: Rgb = (0.35, 0.35, 0.35)
    side: float = 0.0
    side_deg: float = 0.0
    phone: Phone | None = None
    shades: tuple[Shade, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Mat:
    """The table's cover: one of `mats.MATS`, `table_covers.TABLES` or `surfaces.SURFACES`, the seed of its texture, and
    how much it mirrors (1: varnish)."""

    name: str
    seed: int = 0
    polish: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a piece lies: its middle, its turn, and the height of its underside above the mat."""

    x_mm: float
    y_mm: float
    turn_deg: float = 0.0
    base_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Outline:
    """A convex plan with rounded corners: where the straight sides, extended, meet, and the corners' radius.

    `corners_mm` runs clockwise as seen from above, in the piece's frame, from the top left. A single corner makes a
    disc of `radius_mm`.
    """

    corners_mm: tuple[Xy, ...]
    radius_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Curl:
    """A cylindrical bend of a card. The arc across the bend keeps the card's true length.

    `across`: 0 bends the width (the axis runs along the height), 1 bends the height. `rise_mm`: how far the rim stands
    above the middle; negative where the middle stands above the rim. A face that leans by less than the lamps stand
    high throws no shadow on itself, so none is traced there.
    """

    rise_mm: float
    across: int = 0


@dataclass(frozen=True, kw_only=True)
class Warp:
    """How a card that is not flat stands, other than bent about one axis; sides keep their lengths.

    `bow_x_mm`, `bow_y_mm`: how far the middles of its left and right, and of its top and bottom side stand above its
    middle, negative where it is domed. `twist_mm`: how far its top left and bottom right corner are lifted by a
    diagonal warp that lowers both others as much. `ear_mm`: how far the corner `ear_corner` (0: top left, then
    clockwise) is turned up beyond a fold that cuts `ear_reach_mm` off it, measured along the corner's bisector.
    """

    bow_x_mm: float = 0.0
    bow_y_mm: float = 0.0
    twist_mm: float = 0.0
    ear_mm: float = 0.0
    ear_corner: int = 0
    ear_reach_mm: float = 6.0


@dataclass(frozen=True, kw_only=True)
class Face:
    """What is printed on a card: one of `face_rasters.STYLES`, and the seed of its art.

    `tone`: reflectance that its border, or all of it, has instead; `wear` (0 to 1): whitened edges, scuffs, creases.
    """

    style: str
    seed: int = 0
    tone: Rgb | None = None
    wear: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Card:
    """A piece to be measured: a slab with a printed top, side walls in core colour and a slightly rounded rim.

    `width_mm` <= `height_mm` are the true size of the card pressed flat: mean distances of opposite sides. `rim_mm` is
    the radius of the rim; it changes the shading only, the top face's edge stays where the outline is. `gloss` is the
    strength of the coat (1: bare varnish), `roughness` that of its lobe. `fray_mm`: how far its cut edges run in and
    out, at most; the mean edge stays where the outline is. A card has a `curl` or a `warp`, not both.
    """

    outline: Outline
    place: Place
    width_mm: float
    height_mm: float
    face: Face
    thickness_mm: float = 0.30
    curl: Curl | None = None
    rim_mm: float = 0.03
    core: Rgb = (0.78, 0.77, 0.74)
    gloss: float = 0.3
    roughness: float = 0.35
    shape: str = "rectangle"
    size_class: str | None = None
    warp: Warp | None = None
    fray_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Print:
    """What a printer made of the design: printed over design length along both axes, ink spread, ink and paper.

    `light`, `dark`: reflectances of the cells of a measuring sheet. `halftone_mm`: period of the screen of dots that
    these are printed with, 0 for even grey; `streaks`: share of the ink that bands across the feed lack, of some
    `streak_mm` each.
    """

    scale_x: float = 1.0
    scale_y: float = 1.0
    spread_mm: float = 0.03
    ink: float = 0.07
    paper: Rgb = (0.85, 0.85, 0.85)
    paper_mm: float = 0.10
    softness_mm: float = 0.03
    light: float = 0.55
    dark: float = 0.25
    halftone_mm: float = 0.0
    streaks: float = 0.0
    streak_mm: float = 7.0


@dataclass(frozen=True, kw_only=True)
class Bow:
    """How the paper of a sheet bows, and all that lies on it with it: one slow wave, `height_mm` from trough to crest.

    `length_mm` from crest to crest, which run across `azimuth_deg` of the world; `phase_deg` of the wave at its origin.
    """

    height_mm: float
    length_mm: float
    azimuth_deg: float
    phase_deg: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Square:
    """A printed reference square, cut out, or a measuring sheet, by the name of its design.

    `trim_mm` moves its four cut corners outwards (x, y) from the cut line.
    """

    design: str
    place: Place
    trim_mm: tuple[Xy, ...] = ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0))


@dataclass(frozen=True, kw_only=True)
class Post:
    """What lens, sensor and the phone's software do to the picture, and how the file is written.

    `blur_px`: sigma of the blur in the picture's middle; `field_px`: sigma that the lens adds in the corners, growing
    with the distance squared; `defocus_px`: sigma that a place at distance d adds, times |1 - s / d|, where s is the
    middle's; both in quadrature; `shake_px`, `shake_deg`: a straight smear; `vignette`: light lost in the corners;
    `shot`, `read`: noise in linear light, sigma^2 = shot * value + read^2; `grain_px`: sigma of the noise's smoothing;
    `tone`: one of `develop.TONES`; `sharpen`, `sharpen_px`: amount and sigma of an unsharp mask on display values;
    `gains`: residual white balance; `quality` of JPEG and HEIC; `orientation`: EXIF 0x0112.

    What the software does beyond that, see `phone_software`: `chroma`, `chroma_px`: blotches of colour in linear light
    and their size; `smear`, `smear_px`: contrast of display values below which detail is smoothed away, and how far;
    `local_tone`: share of the slow contrast that local tone mapping takes; `halo_light`, `halo_dark`: how far
    sharpening may overshoot, in display values. `taken`: the picture was taken so many times as large as the camera's
    picture, saved with the qualities `saved` in turn, and then made smaller.
    """

    exposure: float = 1.0
    gains: Rgb = (1.0, 1.0, 1.0)
    blur_px: float = 0.7
    field_px: float = 0.0
    defocus_px: float = 0.0
    shake_px: float = 0.0
    shake_deg: float = 0.0
    vignette: float = 0.0
    shot: float = 2e-4
    read: float = 2e-3
    grain_px: float = 0.0
    tone: str = "srgb"
    sharpen: float = 0.0
    sharpen_px: float = 1.0
    quality: int = 92
    orientation: int = 1
    focal_35mm_tag: int | None = 26
    make: str = "Fjordlys"
    model: str = "Fjordlys P2"
    chroma: float = 0.0
    chroma_px: float = 6.0
    smear: float = 0.0
    smear_px: int = 2
    local_tone: float = 0.0
    halo_light: float | None = None
    halo_dark: float | None = None
    taken: float = 1.0
    saved: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Flaw:
    """What keeps a whole shot from being measured: its kind, the codes that name it rightly, and a seed.

    `screen`, `glare` and `mirrored` change the light (see `spoiling`), all others are in the scene already.
    """

    kind: str
    codes: tuple[str, ...]
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class Sampling:
    """Rays a pixel: on the plain mat, on a face, on edges of ink, near outlines; and to each lamp per ray there.

    The pixels' error from too few rays moves each saddle point by some 0.03 px with `print` = 16, 0.012 with 64 and
    0.008 with 144 (rms, 6.5 px/mm).
    """

    plain: int = 2
    face: int = 4
    print: int = 81
    edge: int = 24
    lamp: int = 3


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One shot. `decoys` are seen but are no pieces to be measured: pens, dice, coins; the truth does not list them."""

    camera: Camera
    light: Light
    mat: Mat
    squares: tuple[Square, ...] = ()
    cards: tuple[Card, ...] = ()
    print: Print = field(default_factory=Print)
    post: Post = field(default_factory=Post)
    sampling: Sampling = field(default_factory=Sampling)
    flaw: Flaw | None = None
    bow: Bow | None = None
    decoys: tuple[Card, ...] = ()
