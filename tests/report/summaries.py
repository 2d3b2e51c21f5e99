"""Made-up runs of the tool, different for every seed, with a painting to look at."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ImageCms

from stitch.model.bed import Bed, BedSource, GlassSpeck
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.model.layout import CorrectionFit, Layout, LeftOut, Link, LocalCorrection, Pinned, Placement
from stitch.model.master import MasterRecord, MasterSpec
from stitch.model.report import RunSummary, Timing
from stitch.model.scans import Scan
from stitch.model.seams import SeamLine
from stitch.model.settings import JoinSettings
from stitch.model.size import Edge, SizeCheck, SizeReading
from stitch.model.tone import Evenness, PairTone, ScanTone, ToneFit

JOB = Path("/studio/evening light-joined")
SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
NAMES = (
    "top left",
    "scan_0002",
    "Küche & Fenster",
    'odd <name> "quoted"',
    "🎨 paint",
    "five",
    "IMG 17",
    "a rather long name that somebody gave to the scan of the lower right part",
    "nine",
    "ten",
    "eleven",
    "twelve",
)


class Run:
    """A run of `columns` × `rows` scans; every figure is drawn from the seed."""

    def __init__(self, seed: int, *, columns: int = 2, rows: int = 2, ppi: float = 600.0, tile_px: int = 5000) -> None:
        self.rng = np.random.default_rng(seed)
        self.columns, self.rows, self.ppi = columns, rows, ppi
        self.tile = Size(tile_px, round(tile_px * 1.37))
        self.step = (round(self.tile.width_px * 0.78), round(self.tile.height_px * 0.78))
        self.canvas = Size(
            self.step[0] * (columns - 1) + self.tile.width_px, self.step[1] * (rows - 1) + self.tile.height_px
        )
        self.names = tuple(NAMES[index % len(NAMES)] for index in range(columns * rows))

    def number(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def sha256(self) -> str:
        return self.rng.bytes(32).hex()

    def scan(self, index: int) -> Scan:
        return Scan(
            scan_id=self.names[index],
            path=JOB.parent / "scans" / f"{self.names[index]}.tif",
            page_index=0,
            size=self.tile,
            bits=16,
            is_grey=False,
            ppi_x=self.ppi,
            ppi_y=self.ppi,
            orientation=1,
            file_format="TIFF",
            compression="lzw",
            profile=SRGB,
            sha256=self.sha256(),
            byte_count=int(self.rng.integers(10**7, 3 * 10**8)),
            clipped_low_fraction=self.number(0, 0.004),
            clipped_high_fraction=self.number(0, 0.02),
        )

    def placement(self, index: int) -> Placement:
        x, y = (index % self.columns) * self.step[0], (index // self.columns) * self.step[1]
        angle = math.radians(self.number(-0.9, 0.9))
        c, s = math.cos(angle), math.sin(angle)
        matrix = ((c, -s, x + self.number(-30, 30)), (s, c, y + self.number(-30, 30)))
        return Placement(self.names[index], matrix, self.number(0.005, 0.03))

    def pairs(self) -> list[tuple[int, int]]:
        found = []
        for index in range(self.columns * self.rows):
            column, row = index % self.columns, index // self.columns
            if column + 1 < self.columns:
                found.append((index, index + 1))
            if row + 1 < self.rows:
                found.append((index, index + self.columns))
            if column + 1 < self.columns and row + 1 < self.rows:
                found.append((index, index + self.columns + 1))
        return found

    def link(self, pair: tuple[int, int], *, is_weak: bool = False) -> Link:
        median = self.number(0.01, 0.05) * (12 if is_weak else 1)
        return Link(
            self.names[pair[0]],
            self.names[pair[1]],
            0,
            int(self.rng.integers(80, 900)),
            self.number(0.04, 0.3),
            int(self.rng.integers(50, 200)),
            int(self.rng.integers(20, 90)),
            median,
            median * self.number(2, 3),
            median * self.number(3.2, 5),
            is_weak,
            "few patches with detail" if is_weak else "",
            probability=float(self.rng.choice([0.93, 0.9985, 0.99999])),
            expected_px=median * self.number(0.9, 1.3),
            bound_px=median * self.number(2.5, 4),
        )

    def layout(self, *, weak: int = 0) -> Layout:
        links = tuple(self.link(pair, is_weak=index < weak) for index, pair in enumerate(self.pairs()))
        placements = tuple(self.placement(index) for index in range(len(self.names)))
        return Layout(self.canvas, self.ppi, placements, links, False, 0)

    def desk_layout(self, source: BedSource) -> Layout:
        """Turned pieces, straightened scans, dirt on the glass, a link along an edge, and a scan left out."""
        found = self.layout()
        *placements, last = found.placements
        turned = [self.turned(placements[0], 2), self.turned(placements[1], 1), *placements[2:]]
        bent = [replace(p, correction=self.correction(), probability=0.998) for p in turned]
        links = [link for link in found.links if last.scan_id not in (link.scan_a, link.scan_b)]
        links[0] = replace(links[0], turn_deg=90, pinned=Pinned.ONE_DIRECTION)
        glass = tuple(
            GlassSpeck(self.number(0, 200), self.number(0, 280), self.number(0.1, 2), len(self.names))
            for _ in range(26)
        )
        bed = Bed(source, self.number(-0.002, 0.002), self.number(-0.06, 0.06), 1.0, 2e-5, 8e-4)
        return replace(
            found,
            placements=tuple(bent),
            links=tuple(links),
            bed=Bed() if source is BedSource.UNKNOWN else bed,
            glass=glass,
            correction=CorrectionFit("flexible", self.number(2, 4), self.number(0.1, 0.3)),
            left_out=(LeftOut(last.scan_id, placements[0].scan_id, 0.7),),
            tape_scale=(1.0011, 0.9995) if source is BedSource.TAPE else None,
        )

    def turned(self, placement: Placement, quarters: int) -> Placement:
        """The placement of a piece that lay turned by so many quarters, counter-clockwise in the scan."""
        linear = placement.matrix[:, :2]
        for _ in range(quarters):
            linear = linear @ np.array([[0.0, -1.0], [1.0, 0.0]])
        centre = np.array([(self.tile.width_px - 1) / 2, (self.tile.height_px - 1) / 2])
        shift = placement.matrix @ np.append(centre, 1.0) - linear @ centre
        (a, b), (c, d) = linear.tolist()
        return replace(placement, canvas_from_scan=((a, b, float(shift[0])), (c, d, float(shift[1]))))

    def correction(self) -> LocalCorrection:
        columns, rows = (int(length // 900) + 4 for length in (self.tile.width_px, self.tile.height_px))
        dx, dy = (
            tuple(tuple(float(v) for v in row) for row in self.rng.normal(0, 1.2, (rows, columns))) for _ in range(2)
        )
        return LocalCorrection((900.0, 900.0), dx, dy)

    def tone(self) -> ToneFit:
        scans = [ScanTone(self.names[0], (1.0, 1.0, 1.0), (0.0, 0.0, 0.0))]
        for name in self.names[1:]:
            gains = tuple(self.number(0.92, 1.08) for _ in range(3))
            offsets = tuple(self.number(-0.002, 0.002) for _ in range(3))
            gammas = tuple(self.number(0.95, 1.05) for _ in range(3))
            scans.append(ScanTone(name, gains, offsets, None, gammas))  # type: ignore[arg-type]
        pairs = tuple(
            PairTone(
                self.names[a],
                self.names[b],
                int(self.rng.integers(500, 9000)),
                self.number(1, 5),
                self.number(0.05, 0.4),
            )
            for a, b in self.pairs()
        )
        return ToneFit(
            self.names[0],
            tuple(scans),
            pairs,
            self.number(0.95, 0.999),
            "linear light of sRGB",
            Evenness(self.number(0.4, 1), self.number(0.1, 0.2), self.number(3, 9), self.number(2, 3)),
            gain_slope_percent=self.number(1, 5),
            held_slope_percent=self.number(1, 2),
        )

    def course(self, length: int, *, swing: float) -> NDArray[np.float64]:
        """A wandering line, smooth, of about ± `swing`."""
        knots = self.rng.normal(0, 1, 9)
        knots[[0, -1]] = 0
        return swing * np.interp(np.linspace(0, 8, length), np.arange(9), knots) * 0.6

    def seams(self, *, worst: float = 1.6) -> tuple[SeamLine, ...]:
        lines = []
        for index in range(self.columns * self.rows):
            column, row = index % self.columns, index // self.columns
            x1, y1 = (column + 1) * self.step[0] + 550, (row + 1) * self.step[1] + 750
            x0, y0 = (column * self.step[0] + 550) if column else 0, (row * self.step[1] + 750) if row else 0
            right = x1 if column + 1 < self.columns else self.canvas.width_px - 1
            low = y1 if row + 1 < self.rows else self.canvas.height_px - 1
            if column + 1 < self.columns:
                lines.append(self.line(index, index + 1, (x1, y0), (x1, low), worst))
            if row + 1 < self.rows:
                lines.append(self.line(index, index + self.columns, (x0, y1), (right, y1), worst))
        self.cut = tuple(lines)
        return self.cut

    def line(self, a: int, b: int, start: tuple[float, float], end: tuple[float, float], worst: float) -> SeamLine:
        count = 160
        along = np.linspace(0, 1, count)[:, None]
        points = np.array(start) * (1 - along) + np.array(end) * along
        swing = self.course(count, swing=0.06 * self.tile.width_px)
        points[:, 0 if abs(end[1] - start[1]) > abs(end[0] - start[0]) else 1] += swing
        step = np.abs(self.course(count, swing=0.35)) + 0.05
        bump = np.exp(-(((np.arange(count) - self.rng.integers(20, count - 20)) / 7.0) ** 2))
        step = step + bump * worst * self.number(0.3, 1.0)
        shift = np.abs(self.rng.normal(0.03, 0.02, count)) + 0.1 * bump
        gaps = self.rng.uniform(size=count) < 0.15
        length_px = float(np.hypot(*np.diff(points, axis=0).T).sum())
        return SeamLine(
            self.names[a],
            self.names[b],
            tuple((float(x), float(y)) for x, y in points),
            tuple(float(value) for value in step),
            tuple(None if gap else float(value) for value, gap in zip(shift, gaps, strict=True)),
            length_px * 25.4 / self.ppi,
            tuple(None if gap else 1 + float(value) for value, gap in zip(shift, gaps, strict=True)),
        )

    def size_check(self, *, is_ok: bool = True) -> SizeCheck:
        width, height = self.canvas.width_px * 25.4 / self.ppi - 8, self.canvas.height_px * 25.4 / self.ppi - 8
        off = 0.0 if is_ok else 9.0
        wanted = (round(width), round(height))
        readings = [
            self.reading("width top", width + off, wanted[0], is_ok),
            self.reading("width bottom", width + off, wanted[0], is_ok),
            self.reading("height left", height, wanted[1], True),
            self.reading("height right", height, wanted[1], True),
            self.reading("diagonal \\", math.hypot(width, height), None, None),
            self.reading("diagonal /", math.hypot(width, height), None, None),
        ]
        edges = tuple(
            Edge(side, side != "right", (0.0, 0.0), (9.0, 9.0), 0.4, "white lid" if side != "right" else "no lid seen")
            for side in ("left", "right", "top", "bottom")
        )
        return SizeCheck(
            self.ppi,
            edges,
            tuple(readings),
            self.number(0.01, 0.2),
            False,
            self.number(-0.1, 0.1),
            ("Within 1 % of the stated size, the four-star figure for reproduction scale (FADGI, 2016).",),
        )

    def reading(self, name: str, length_mm: float, expected: float | None, is_ok: bool | None) -> SizeReading:
        return SizeReading(
            name,
            length_mm + self.number(-0.4, 0.4),
            self.number(0.05, 0.2),
            expected,
            None if expected is None else max(1.0, 0.0025 * expected) + 1.0,
            is_ok,
        )

    def spec(self) -> MasterSpec:
        history = (
            "Each scan was placed on one canvas by features it shares with its neighbours.",
            "The tone of each scan was matched to the scan “top left” in linear light.",
            "Every pixel was sampled once with cubic interpolation.",
            "Near the seams the scans were blended in bands of detail.",
        )
        ingredients = tuple((f"{name}.tif", self.sha256()) for name in self.names)
        return MasterSpec(
            self.canvas,
            16,
            self.ppi,
            SRGB,
            "Evening light over the yard",
            "A. Painter",
            "© 2026 A. Painter",
            history,
            ingredients,
        )

    def summary(
        self, *, findings: tuple[Finding, ...] = (), exit_code: int = 0, weak: int = 0, size_ok: bool = True
    ) -> RunSummary:
        scans = tuple(self.scan(index) for index in range(len(self.names)))
        return RunSummary(
            tool_version="0.1.0",
            started_at="2026-11-25T14:05:00+01:00",
            job_name="evening light-joined",
            settings=JoinSettings(
                width_mm=float(round(self.canvas.width_px * 25.4 / self.ppi - 8)),
                height_mm=float(round(self.canvas.height_px * 25.4 / self.ppi - 8)),
                title="Evening light over the yard",
                creator="A. Painter",
                rights="© 2026 A. Painter",
            ),
            scans=scans,
            sha256_after=tuple((scan.scan_id, scan.sha256) for scan in scans),
            findings=findings,
            layout=self.layout(weak=weak),
            tone=self.tone(),
            seams=self.seams(),
            size_check=self.size_check(is_ok=size_ok),
            master_spec=self.spec(),
            master=MasterRecord(
                "master.tif", self.sha256(), self.canvas.width_px * self.canvas.height_px * 6, False, ()
            ),
            next_command="",
            timings=tuple(
                Timing(room, self.number(0.2, 30), room == "scans")
                for room in ("scans", "register", "tone", "seams", "compose", "size", "report")
            ),
            exit_code=exit_code,
        )

    def stopped(self) -> RunSummary:
        """A run that could not place its scans."""
        scans = tuple(self.scan(index) for index in range(len(self.names)))
        names = self.names[-2:]
        stop = Finding(
            "unlinked",
            Severity.STOP,
            f"No other scan shows the same part of the painting as {names[0]} and {names[1]}.",
            "Scan them again with at least 30 mm of overlap, or leave them out with --skip.",
            names,
        )
        return RunSummary(
            tool_version="0.1.0",
            started_at="2026-11-25T14:05:00+01:00",
            job_name="evening light-joined",
            settings=JoinSettings(),
            scans=scans,
            sha256_after=tuple((scan.scan_id, scan.sha256) for scan in scans),
            findings=(stop,),
            layout=None,
            tone=None,
            seams=None,
            size_check=None,
            master_spec=None,
            master=None,
            next_command='stitch join "evening light-joined" --skip "odd <name>*"',
            timings=(Timing("scans", self.number(0.2, 3), False),),
            exit_code=4,
            links_found=tuple(self.link(pair) for pair in self.pairs() if len(self.names) - 1 not in pair),
        )

    def labels(self, width_px: int, height_px: int) -> NDArray[np.uint8]:
        """Labels of a grid laid over the canvas, cut along the seams made last."""
        ys, xs = np.mgrid[0:height_px, 0:width_px]
        x, y = xs * self.canvas.width_px / width_px, ys * self.canvas.height_px / height_px
        column = np.zeros(x.shape, int)
        row = np.zeros(x.shape, int)
        for index in range(self.columns - 1):
            column += x > self.border(index, y, is_column=True)
        for index in range(self.rows - 1):
            row += y > self.border(index, x, is_column=False)
        return (1 + row * self.columns + column).astype(np.uint8)

    def border(self, index: int, at: NDArray[np.float64], *, is_column: bool) -> NDArray[np.float64]:
        """Where the border after column (or row) `index` lies at each place along it."""
        ids = {name: number for number, name in enumerate(self.names)}
        across = index if is_column else index * self.columns
        apart = 1 if is_column else self.columns
        points = [
            point
            for line in self.cut
            for point in line.points_px
            if ids[line.scan_b] - ids[line.scan_a] == apart
            and (ids[line.scan_a] % self.columns == across if is_column else ids[line.scan_a] // self.columns == index)
        ]
        way = np.array(sorted((y, x) if is_column else (x, y) for x, y in points))
        return np.interp(at, way[:, 0], way[:, 1])


def many_findings() -> tuple[Finding, ...]:
    """One of each kind that does not stop a run."""
    return (
        Finding("relief", Severity.WARNING, "The paint stands up in scan_0002.", "Look at spot 3.", ("scan_0002",)),
        Finding("alpha-dropped", Severity.NOTE, "The transparency of five was left out.", "", ("five",)),
    )


def yard_painting(width_px: int, height_px: int, seed: int = 1) -> NDArray[np.uint8]:
    """An invented painting: an evening sky, a yard wall, a tree, brush strokes all over."""
    rng = np.random.default_rng(seed)
    rows = np.linspace(0, 1, height_px)[:, None, None]
    sky = np.array([236, 182, 120]) * rows + np.array([74, 104, 158]) * (1 - rows)
    picture = np.broadcast_to(sky, (height_px, width_px, 3)).astype(np.float32).copy()
    wall = (np.array([[0, 0.66], [0.45, 0.6], [1, 0.7], [1, 1], [0, 1]]) * (width_px, height_px)).astype(np.int32)
    cv2.fillPoly(picture, [wall], (118, 84, 70))
    yard = (np.array([[0, 0.84], [1, 0.8], [1, 1], [0, 1]]) * (width_px, height_px)).astype(np.int32)
    cv2.fillPoly(picture, [yard], (150, 132, 96))
    cv2.circle(picture, (int(0.74 * width_px), int(0.3 * height_px)), width_px // 11, (252, 224, 150), -1)
    trunk = (np.array([[0.2, 0.88], [0.235, 0.4], [0.255, 0.4], [0.29, 0.88]]) * (width_px, height_px)).astype(np.int32)
    cv2.fillPoly(picture, [trunk], (58, 42, 40))
    for _ in range(900):
        x, y = rng.normal(0.25, 0.1) * width_px, rng.normal(0.32, 0.09) * height_px
        colour = np.array([70, 96, 62]) + rng.normal(0, 22, 3)
        cv2.ellipse(
            picture,
            (int(x), int(y)),
            (width_px // 60, width_px // 140),
            rng.uniform(0, 180),
            0,
            360,
            colour.tolist(),
            -1,
        )
    for _ in range(5000):
        x, y = int(rng.integers(0, width_px)), int(rng.integers(0, height_px))
        colour = picture[y, x] + rng.normal(0, 9, 3)
        axes = (int(rng.integers(4, 8 + width_px // 40)), 2 + width_px // 500)
        cv2.ellipse(picture, (x, y), axes, rng.normal(8, 14), 0, 360, colour.tolist(), -1)
    picture += rng.normal(0, 3, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)
