// The program writes `state.js` anew whenever something happens; a page from disk may not fetch a
// file, but it may run a script beside it, again and again.
const EVERY = 1000;
// The program writes at least every few seconds; after so long without, it no longer runs.
const SILENCE = 20000;
const LIGHTS = { well: "Nothing amiss", look: "Look", broken: "Cannot be read", wait: "Arriving" };
let beat = null, heard = Date.now(), drawn = "", known = null;

function made(tag, className, text) {
  const element = document.createElement(tag);
  if (className) element.className = className;
  if (text) element.textContent = text;
  return element;
}

function card(frame) {
  const item = made("li", "shot");
  const name = frame.person ? `${frame.person}, ${frame.name}` : frame.name;
  if (frame.small) {
    const button = made("button", "open");
    button.type = "button";
    button.dataset.large = frame.large;
    button.dataset.name = name;
    const image = made("img");
    [image.width, image.height] = frame.size;
    image.alt = name;
    image.src = frame.small;
    button.append(made("span", "hidden-text", "Enlarge "), image);
    item.append(button);
  }
  const words = made("div");
  words.append(made("h2", "", name), made("p", `light ${frame.light}`, LIGHTS[frame.light]));
  if (frame.says.length) {
    const list = made("ul");
    for (const sentence of frame.says) list.append(made("li", "", sentence));
    words.append(list);
  }
  item.append(words);
  return item;
}

// Called by `state.js`.
function show(state) {
  if (state.beat !== beat) { beat = state.beat; heard = Date.now(); }
  by("alarm").textContent = state.ended ? "Watching has ended: new frames do not appear any more."
    : state.gone ? `${state.gone} Frames appear again once it is back.` : "";
  const now = JSON.stringify([state.frames, state.earlier, state.set, state.total]);
  if (now === drawn) return;
  drawn = now;
  by("about").textContent = state.set.join(", ");
  by("earlier").textContent = state.earlier
    ? `${state.earlier} earlier frames are not shown.` : "";
  const list = by("frames");
  // Whoever is at a picture stays there: a card that says the same is left as it is.
  const old = new Map([...list.children].map((item) => [item.dataset.key, item]));
  const items = state.frames.map((frame) => {
    const key = JSON.stringify(frame);
    const item = old.get(key) || card(frame);
    item.dataset.key = key;
    item.dataset.name = frame.name;
    return item;
  });
  const focused = document.activeElement;
  const at = focused && list.contains(focused) ? focused.closest(".shot").dataset.name : null;
  for (const item of [...list.children]) if (!items.includes(item)) item.remove();
  items.forEach((item, index) => {
    if (list.children[index] !== item) list.insertBefore(item, list.children[index] || null);
  });
  if (at !== null && !list.contains(document.activeElement)) {
    const same = items.find((item) => item.dataset.name === at);
    const button = same && same.querySelector(".open");
    if (button) button.focus();
  }
  by("empty").hidden = state.frames.length > 0;
  // Only news is spoken, not what was there when the page was opened.
  const done = state.frames.filter((frame) => frame.light !== "wait");
  if (known) {
    const news = done.filter((frame) => !known.has(frame.name));
    if (news.length) {
      by("told").textContent = news
        .map((frame) => `${frame.name}: ${frame.says.join("; ") || LIGHTS[frame.light]}`).join(". ");
    }
  }
  known = new Set(done.map((frame) => frame.name));
}

function ask() {
  const script = document.createElement("script");
  const next = () => { script.remove(); setTimeout(ask, EVERY); };
  script.onload = next;
  script.onerror = next;
  // The number keeps a browser from giving back what it read before.
  script.src = `state.js?${Date.now()}`;
  document.body.append(script);
  if (Date.now() - heard > SILENCE && !by("alarm").textContent) {
    by("alarm").textContent = "No news from the program: is it still running?";
  }
}

large.all = () => [...document.querySelectorAll("#frames > .shot")].filter((s) => s.querySelector(".open"));
large.shown = (shot) => {
  const copies = [...shot.querySelectorAll(".light, ul")].map((part) => part.cloneNode(true));
  by("large-more").replaceChildren(...copies);
};
ask();
