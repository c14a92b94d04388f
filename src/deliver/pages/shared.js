"use strict";
const by = (id) => document.getElementById(id);

// The enlarged view. The browser keeps the focus inside, closes it on Escape and gives the focus
// back to the picture that it was opened from.
const large = {
  of: null,
  // Pictures to go through, from the one shown; set by the page.
  all: () => [],
  shown: () => {},
  show(shot) {
    const button = shot.querySelector(".open");
    const small = button.querySelector("img");
    const picture = by("large-picture");
    large.of = shot;
    picture.src = button.dataset.large;
    picture.alt = small.alt;
    by("large-name").textContent = button.dataset.name;
    const all = large.all();
    const at = all.indexOf(shot);
    by("large-back").disabled = at < 1;
    by("large-on").disabled = at < 0 || at === all.length - 1;
    large.shown(shot);
    if (!by("large").open) by("large").showModal();
  },
  step(by) {
    const all = large.all();
    const next = all[all.indexOf(large.of) + by];
    if (next) large.show(next);
  },
};
document.addEventListener("click", (event) => {
  const button = event.target.closest(".open");
  if (button) large.show(button.closest(".shot"));
});
by("large-close").addEventListener("click", () => by("large").close());
by("large-back").addEventListener("click", () => large.step(-1));
by("large-on").addEventListener("click", () => large.step(1));
by("large").addEventListener("keydown", (event) => {
  // Inside of a choice the arrows change the choice.
  if (event.target.matches("input")) return;
  const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
  if (step) { event.preventDefault(); large.step(step); }
});
// Whoever went on to another picture comes back to that one, not to the first.
by("large").addEventListener("close", () => {
  const button = large.of && large.of.querySelector(".open");
  if (button && button.isConnected) button.focus();
});
