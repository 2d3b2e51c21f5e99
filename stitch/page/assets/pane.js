// One scan on the table: moved, brought closer, turned, pointed at by mouse, pen, finger or keyboard.

import { TILE_PX, tileUrl } from "./asking.js";
import { Lens } from "./lens.js";
import { drawMarks } from "./marks.js";

const HOLD_MS = 350; // a finger that rests this long gets the lens
const STILL_PX = 8;
const LENS_AWAY = 125; // css px between finger or pointer and the lens
const LENS_HALF = 97; // css px, with its rim
const STEP = 14; // css px the cross moves at one key
const { OpenSeadragon } = window;

function viewerOf(element, number, scan, turn) {
  const source = {
    width: scan.width, height: scan.height, tileSize: TILE_PX, tileOverlap: 0, minLevel: 0, maxLevel: scan.levels - 1,
    getTileUrl: (level, column, row) => tileUrl(number, scan.levels - 1 - level, column, row),
  };
  const isCalm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  const gestures = { clickToZoom: false, dblClickToZoom: false, flickEnabled: false };
  return OpenSeadragon({
    element, tileSources: source, degrees: turn, drawer: "canvas", showNavigationControl: false, animationTime: isCalm ? 0 : 0.3,
    maxZoomPixelRatio: 12, minZoomImageRatio: 0.4, visibilityRatio: 0.2, zoomPerScroll: 1.25, imageLoaderLimit: 4,
    gestureSettingsMouse: gestures, gestureSettingsPen: gestures, gestureSettingsTouch: { ...gestures, pinchRotate: false },
  });
}

export class Pane {
  // told: {placed(px), changed(), failed(url)}
  constructor(root, number, scan, turn, told) {
    root.replaceChildren(document.getElementById("pane-parts").content.cloneNode(true));
    Object.assign(this, { root, number, scan, turn, told, marks: [], rulers: [], cross: null, hasLens: true });
    root.querySelector("h3").textContent = scan.name;
    this.table = root.querySelector(".table");
    this.table.setAttribute("aria-label", `${scan.name}. Arrow keys move the cross, Enter sets the place.`);
    this.lens = new Lens(root.querySelector(".lens.moving"), number, scan);
    this.pinned = new Lens(root.querySelector(".lens.pinned"), number, scan);
    this.viewer = viewerOf(root.querySelector(".picture"), number, scan, turn);
    this.viewer.innerTracker.keyHandler = this.viewer.innerTracker.keyDownHandler = null; // keys are ours
    this.viewer.canvas.tabIndex = -1;
    this.viewer.addHandler("update-viewport", () => this.redraw());
    this.viewer.addHandler("open", () => this.whole(true));
    this.viewer.addHandler("tile-load-failed", (event) => told.failed(event.tile.getUrl()));
    this.listenToPointers();
    root.querySelector("header").addEventListener("click", (event) => this.does(event.target.dataset.do));
    this.table.addEventListener("blur", () => this.leave());
  }

  close() {
    clearTimeout(this.holding);
    this.viewer.destroy();
    this.root.replaceChildren();
  }

  does(what) {
    if (what === "turn") this.turnBy(90);
    if (what === "whole") this.whole();
    if (what === "closer" || what === "away") this.zoom(what === "closer" ? 1.6 : 1 / 1.6);
  }

  turnBy(degrees) {
    this.turn = (this.turn + degrees) % 360;
    this.viewer.viewport.setRotation(this.turn, true);
    this.whole(true);
    this.told.changed();
  }

  // The scan as it is turned fills the table in one direction.
  whole(isAtOnce = false) {
    const { viewport } = this.viewer;
    const { width, height } = this.scan;
    const [across, down] = this.turn % 180 ? [height, width] : [width, height];
    const scale = Math.min(this.table.clientWidth / across, this.table.clientHeight / down);
    viewport.panTo(viewport.imageToViewportCoordinates(new OpenSeadragon.Point(width / 2, height / 2)), isAtOnce);
    viewport.zoomTo(viewport.imageToViewportZoom(scale), null, isAtOnce);
    this.redraw();
  }

  zoom(factor) {
    const at = this.cross ? this.viewer.viewport.imageToViewportCoordinates(this.point(this.cross)) : undefined;
    this.viewer.viewport.zoomBy(factor, at);
    this.viewer.viewport.applyConstraints();
  }

  point(px) {
    return new OpenSeadragon.Point(px[0] + 0.5, px[1] + 0.5); // the viewer counts from the corner of the first pixel
  }

  // Scan px to css px of the table, and back.
  seen(px) {
    const at = this.viewer.viewport.imageToViewerElementCoordinates(this.point(px));
    return [at.x, at.y];
  }

  under(x, y) {
    const at = this.viewer.viewport.viewerElementToImageCoordinates(new OpenSeadragon.Point(x, y));
    return [at.x - 0.5, at.y - 0.5];
  }

  isInside([x, y]) {
    return x >= -0.5 && y >= -0.5 && x <= this.scan.width - 0.5 && y <= this.scan.height - 0.5;
  }

  get scale() {
    const { viewport } = this.viewer;
    return viewport.viewportToImageZoom(viewport.getZoom(true));
  }

  // Bring a place into view, at least at `scale` css px for a scan px.
  goTo(px, scale = 0) {
    const { viewport } = this.viewer;
    viewport.panTo(viewport.imageToViewportCoordinates(this.point(px)));
    if (this.scale < scale) viewport.zoomTo(viewport.imageToViewportZoom(scale));
  }

  isSeen(px) {
    const [x, y] = this.seen(px);
    return x > 30 && y > 30 && x < this.table.clientWidth - 30 && y < this.table.clientHeight - 30;
  }

  show(marks, rulers) {
    Object.assign(this, { marks, rulers });
    this.redraw();
  }

  redraw() {
    if (!this.viewer.world.getItemCount()) return;
    const marks = this.cross ? [...this.marks, { kind: "cross", px: this.cross }] : this.marks;
    drawMarks(this.root.querySelector(".marks"), marks, this.rulers, (px) => this.seen(px));
    if (this.cross) this.lensAt(this.cross);
  }

  lensAt(px) {
    if (!this.hasLens || !this.isInside(px)) return this.lens.hide();
    const [x, y] = this.seen(px);
    const above = y > LENS_AWAY + LENS_HALF ? -LENS_AWAY : LENS_AWAY;
    const left = Math.min(this.table.clientWidth - LENS_HALF, Math.max(LENS_HALF, x));
    return this.lens.show(px, this.turn, this.lensScale(), left, y + above);
  }

  lensScale() {
    return Math.min(12, Math.max(2, 3 * this.scale));
  }

  // The place that was set stays in sight while the other scan is searched.
  pin(px) {
    if (!px || !this.hasLens) return this.pinned.hide();
    return this.pinned.show(px, this.turn, Math.max(3, this.lensScale()), this.table.clientWidth - LENS_HALF - 8, LENS_HALF + 8);
  }

  useLens(isWanted) {
    this.hasLens = isWanted;
    if (!isWanted) this.lens.hide();
  }

  leave() {
    this.cross = null;
    this.lens.hide();
    this.redraw();
  }

  listenToPointers() {
    const { viewer } = this;
    viewer.addHandler("canvas-click", (event) => event.quick && this.place([event.position.x, event.position.y]));
    viewer.addHandler("canvas-press", (event) => event.pointerType === "touch" && this.hold(event.position));
    viewer.addHandler("canvas-drag", (event) => this.drag(event));
    viewer.addHandler("canvas-pinch", () => this.letGo());
    viewer.addHandler("canvas-release", () => this.release());
    this.table.addEventListener("contextmenu", (event) => event.preventDefault()); // a long press is for the lens
    this.table.addEventListener("pointermove", (event) => event.pointerType !== "touch" && this.hover(event));
    this.table.addEventListener("pointerleave", () => !this.cross && this.lens.hide());
  }

  place([x, y]) {
    const px = this.under(x, y);
    this.cross = null;
    if (this.isInside(px)) this.told.placed(px);
  }

  hover(event) {
    if (event.buttons) return this.lens.hide();
    const box = this.table.getBoundingClientRect();
    this.cross = null;
    return this.lensAt(this.under(event.clientX - box.left, event.clientY - box.top));
  }

  hold(position) {
    this.letGo();
    this.held = { start: position, isAiming: false };
    this.holding = setTimeout(() => {
      this.held.isAiming = true;
      this.lensAt(this.under(position.x, position.y));
      this.held.at = position;
    }, HOLD_MS);
  }

  drag(event) {
    if (!this.held) return;
    if (this.held.isAiming) {
      event.preventDefaultAction = true;
      this.held.at = event.position;
      this.lensAt(this.under(event.position.x, event.position.y));
    } else if (event.position.distanceTo(this.held.start) > STILL_PX) {
      this.letGo();
    }
  }

  release() {
    const { held } = this;
    this.letGo();
    if (held && held.isAiming) this.place([held.at.x, held.at.y]);
  }

  letGo() {
    clearTimeout(this.holding);
    if (this.held) this.lens.hide();
    this.held = null;
  }

  // Keyboard: the cross starts in the middle of what is seen.
  moveCross(dx, dy, isFine) {
    const [x, y] = this.cross ? this.seen(this.cross) : [this.table.clientWidth / 2, this.table.clientHeight / 2];
    const step = isFine ? this.scale : STEP;
    const [px, py] = this.under(x + dx * step, y + dy * step);
    this.cross = [Math.min(this.scan.width - 1, Math.max(0, px)), Math.min(this.scan.height - 1, Math.max(0, py))];
    if (!this.isSeen(this.cross)) this.goTo(this.cross);
    this.redraw();
  }

  moveScan(dx, dy) {
    const by = new OpenSeadragon.Point(dx * 60, dy * 60);
    this.viewer.viewport.panBy(this.viewer.viewport.deltaPointsFromPixels(by));
    this.viewer.viewport.applyConstraints();
  }
}
