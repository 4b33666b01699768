// One picture that Python draws, and the hand that moves over it. Nothing is drawn here but a frame around what
// is being selected; clicks, drags, wheel and keys go to Python in the units of the axes they fall into.
const FAR = 4; // pixels: a hand that moved less has clicked

function render({ model, el }) {
  const box = document.createElement("div");
  box.className = "hx-picture";
  box.tabIndex = 0;
  box.setAttribute("role", "group");
  const img = document.createElement("img");
  img.draggable = false;
  const frame = document.createElement("div");
  frame.className = "hx-frame";
  frame.hidden = true;
  box.append(img, frame);
  el.append(box);

  let url = null, drawn = 0, waiting = false, held = null, start = null;

  const paint = async () => {
    const bytes = model.get("png");
    if (!bytes || !bytes.byteLength) return;
    const next = URL.createObjectURL(new Blob([bytes], { type: "image/png" }));
    img.src = next;
    try { await img.decode(); } catch (_) { /* a newer picture took its place */ }
    if (url) URL.revokeObjectURL(url);
    url = next;
    box.dataset.drawn = String(++drawn);
  };
  const name = () => {
    img.alt = model.get("alt");
    box.setAttribute("aria-label", model.get("alt"));
  };
  const size = () => {
    img.style.width = model.get("width") + "px";
    img.style.height = model.get("height") + "px";
  };

  // One gesture at a time is on its way: what the hand did meanwhile is sent as one step when Python is done.
  const send = (event, urgent) => {
    if (waiting && !urgent) { held = merge(held, event); return; }
    waiting = true;
    model.send(event);
  };
  const merge = (old, event) => {
    if (old && old.kind === "wheel" && event.kind === "wheel" && old.area === event.area)
      return { ...event, steps: old.steps + event.steps };
    return event;
  };
  const heard = (message) => {
    if (!message || message.kind !== "done") return;
    waiting = false;
    if (held) { const event = held; held = null; send(event); }
  };

  const at = (event) => {
    const rect = img.getBoundingClientRect();
    const scale = model.get("width") / rect.width;
    return { px: (event.clientX - rect.left) * scale, py: (event.clientY - rect.top) * scale };
  };
  const areaAt = ({ px, py }) =>
    (model.get("areas") || []).find((a) => px >= a.left && px <= a.right && py >= a.top && py <= a.bottom);
  const value = (share, from, to, log) =>
    log ? from * Math.pow(to / from, share) : from + share * (to - from);
  const units = (area, { px, py }) => ({
    x: value((px - area.left) / (area.right - area.left), area.x0, area.x1, area.xlog),
    y: value((area.bottom - py) / (area.bottom - area.top), area.y0, area.y1, area.ylog),
  });

  box.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    const point = at(event), area = areaAt(point);
    box.focus({ preventScroll: true });
    if (!area) return;
    start = { point, area, moved: false, shift: event.shiftKey };
    box.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  const dragged = (event, done) => {
    const point = at(event), { area } = start;
    const from = units(area, start.point), to = units(area, point);
    return { kind: "drag", area: area.name, x0: from.x, y0: from.y, x1: to.x, y1: to.y, done, shift: start.shift };
  };
  box.addEventListener("pointermove", (event) => {
    if (!start) return;
    const point = at(event);
    const dx = point.px - start.point.px, dy = point.py - start.point.py;
    if (!start.moved && Math.hypot(dx, dy) < FAR) return;
    start.moved = true;
    if (model.get("gesture") === "select") {
      frame.hidden = false;
      frame.style.left = Math.min(point.px, start.point.px) + "px";
      frame.style.top = Math.min(point.py, start.point.py) + "px";
      frame.style.width = Math.abs(dx) + "px";
      frame.style.height = Math.abs(dy) + "px";
    } else send(dragged(event, false));
  });
  const released = (event) => {
    if (!start) return;
    if (start.moved) { held = null; send(dragged(event, true), true); }
    else {
      const { x, y } = units(start.area, start.point);
      send({ kind: "click", area: start.area.name, x, y, shift: start.shift }, true);
    }
    start = null;
    frame.hidden = true;
  };
  box.addEventListener("pointerup", released);
  box.addEventListener("pointercancel", () => { start = null; frame.hidden = true; });

  box.addEventListener("wheel", (event) => {
    // A page must stay scrollable over a picture: the wheel zooms only in a picture that has been chosen.
    if (document.activeElement !== box) return;
    const point = at(event), area = areaAt(point);
    if (!area) return;
    event.preventDefault();
    const { x, y } = units(area, point);
    send({ kind: "wheel", area: area.name, x, y, steps: Math.sign(event.deltaY), shift: event.shiftKey });
  }, { passive: false });

  box.addEventListener("keydown", (event) => {
    const keys = model.get("listens") || [];
    if (!keys.includes(event.key) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation(); // the notebook has shortcuts of its own
    send({ kind: "key", key: event.key, shift: event.shiftKey }, !event.repeat);
  });

  model.on("change:png", paint);
  model.on("change:alt", name);
  model.on("change:width change:height", size);
  model.on("msg:custom", heard);
  name();
  size();
  paint();
  return () => {
    model.off("change:png", paint);
    model.off("change:alt", name);
    model.off("change:width change:height", size);
    model.off("msg:custom", heard);
    if (url) URL.revokeObjectURL(url);
  };
}

export default { render };
