// Asking the server: looks, changes, and news of changes made elsewhere.

export class Refused extends Error {}

async function answer(path, options) {
  let reply;
  try {
    reply = await fetch(path, options);
  } catch {
    throw new Refused(STOPPED);
  }
  const plain = await reply.json();
  if (reply.ok) return plain;
  const refused = new Refused(plain.error);
  refused.state = plain.state; // when the ties had changed elsewhere
  throw refused;
}

export const look = (path) => answer(path);

// A change is made on what the page shows. When that was outdated, a new entry is simply made again on the newer
// state, since it takes nothing away; anything else is left for her to decide with the newer state before her.
export async function change(book, body) {
  const post = () =>
    answer("change", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ ...body, revision: book.state.revision }),
    });
  try {
    return await post();
  } catch (refused) {
    if (!refused.state) throw refused;
    book.state = refused.state;
    if (!["tie", "distance", "apart"].includes(body.do)) throw refused;
    return post();
  }
}

// News until the page is closed. The browser tries again by itself; lost(true) when that was in vain.
export function listen(told, lost) {
  const events = new EventSource("events");
  let failures = 0;
  events.onmessage = (event) => {
    if (failures > 1) lost(false);
    failures = 0;
    told(JSON.parse(event.data));
  };
  events.onerror = () => {
    failures += 1;
    if (failures > 1 || events.readyState === EventSource.CLOSED) lost(true);
  };
  window.addEventListener("pagehide", () => events.close());
}

export const STOPPED = "stitch has stopped. What was saved is in ties.csv; type the command again to go on.";
export const tileUrl = (scan, level, column, row) => `tiles/${scan}/${level}/${column}/${row}.jpg`;
export const TILE_PX = 512;
