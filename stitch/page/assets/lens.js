// The lens: a round enlargement of the scan's own pixels around one place.

import { TILE_PX, tileUrl } from "./asking.js";

const WIDTH = 190; // css px
const MOST_TILES = 32;

export class Lens {
  constructor(canvas, number, scan) {
    Object.assign(this, { canvas, number, scan, tiles: new Map() });
  }

  hide() {
    this.canvas.hidden = true;
    this.at = null;
  }

  // px: place in the scan; turn: degrees clockwise; scale: css px for one scan px; left, top: where on the table.
  show(px, turn, scale, left, top) {
    this.at = { px, turn, scale };
    this.canvas.style.left = `${left - WIDTH / 2}px`;
    this.canvas.style.top = `${top - WIDTH / 2}px`;
    this.canvas.hidden = false;
    this.draw();
  }

  draw() {
    if (!this.at) return;
    const { px, turn, scale } = this.at;
    const ratio = window.devicePixelRatio || 1;
    this.canvas.width = this.canvas.height = WIDTH * ratio;
    const ink = this.canvas.getContext("2d");
    ink.imageSmoothingEnabled = scale < 4;
    ink.scale(ratio, ratio);
    ink.fillStyle = "#2b2e32";
    ink.fillRect(0, 0, WIDTH, WIDTH);
    ink.save();
    ink.translate(WIDTH / 2, WIDTH / 2);
    ink.rotate((turn * Math.PI) / 180);
    ink.scale(scale, scale);
    ink.translate(-px[0] - 0.5, -px[1] - 0.5);
    this.drawTiles(ink, px, (0.75 * WIDTH) / scale);
    ink.restore();
    cross(ink);
  }

  drawTiles(ink, [x, y], reach) {
    const { width, height } = this.scan;
    const from = (value) => Math.max(0, Math.floor((value - reach) / TILE_PX));
    const to = (value, most) => Math.min(Math.floor((most - 1) / TILE_PX), Math.floor((value + reach) / TILE_PX));
    for (let row = from(y); row <= to(y, height); row += 1) {
      for (let column = from(x); column <= to(x, width); column += 1) {
        const image = this.tile(column, row);
        if (image.complete && image.naturalWidth) ink.drawImage(image, column * TILE_PX, row * TILE_PX);
      }
    }
  }

  tile(column, row) {
    const key = `${column}/${row}`;
    let image = this.tiles.get(key);
    if (!image) {
      image = new Image();
      image.addEventListener("load", () => this.draw());
      image.src = tileUrl(this.number, 0, column, row);
    }
    this.tiles.delete(key); // the one used last comes last
    this.tiles.set(key, image);
    if (this.tiles.size > MOST_TILES) this.tiles.delete(this.tiles.keys().next().value);
    return image;
  }
}

function cross(ink) {
  const [near, far, middle] = [6, 30, WIDTH / 2];
  for (const [colour, width] of [["#0b0c0e", 4], ["#ffffff", 1.5]]) {
    ink.strokeStyle = colour;
    ink.lineWidth = width;
    ink.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      ink.moveTo(middle + dx * near, middle + dy * near);
      ink.lineTo(middle + dx * far, middle + dy * far);
    }
    ink.stroke();
  }
}
