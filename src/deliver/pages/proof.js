// Choices live in the inputs of the page; this keeps them in the browser where it may, and makes
// the picks file of them.
const HEAD = ["person", "file_name", "frame", "choice", "picture"];
const WORDS = { yes: "Yes", maybe: "Maybe", no: "No" };
const shots = [...document.querySelectorAll(".shot")];
const store = document.body.dataset.store;
const tell = (text) => { by("told").textContent = text; };
const count = (number, word) => `${number} ${word}${number === 1 ? "" : "s"}`;

// Some browsers forbid a page from disk to keep anything.
const kept = () => {
  try { return JSON.parse(localStorage.getItem(store)) || {}; } catch { return {}; }
};
const keep = () => {
  const all = {};
  for (const shot of shots) if (shot.dataset.choice) all[key(shot)] = shot.dataset.choice;
  try { localStorage.setItem(store, JSON.stringify(all)); return true; } catch { return false; }
};
const key = (shot) => `${shot.dataset.fileName}/${shot.dataset.picture}`;

function choose(shot, choice) {
  shot.dataset.choice = choice;
  show(shot, choice);
  if (large.of === shot) show(by("large-more"), choice);
}
// What was said of a picture, in its own controls or in those of the enlarged view.
function show(within, choice) {
  for (const input of within.querySelectorAll("input")) input.checked = input.value === choice;
  const said = within.querySelector(".said");
  if (!said) return;
  said.hidden = !choice;
  said.querySelector(".word").textContent = WORDS[choice] || "";
}

function recount() {
  const numbers = { yes: 0, maybe: 0, no: 0, open: 0 };
  for (const shot of shots) numbers[shot.dataset.choice || "open"] += 1;
  by("count").textContent =
    `${numbers.yes} yes, ${numbers.maybe} maybe, ${numbers.no} no, ${numbers.open} open`;
  for (const section of document.querySelectorAll(".sitter")) {
    const yes = section.querySelectorAll('.shot[data-choice="yes"]').length;
    by(section.dataset.chosen).textContent = yes ? `${yes} chosen` : "open";
  }
  by("text").value = table();
}

const cell = (text) => {
  const safe = /^[=+\-@\t\r]/.test(text) ? `'${text}` : text;
  return /[",;\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
};
function table() {
  const chosen = shots.filter((shot) => shot.dataset.choice);
  const rows = chosen.map((shot) => {
    const { person, fileName, frame, choice, picture } = shot.dataset;
    return [person, fileName, frame, choice, picture];
  });
  return [HEAD, ...rows].map((row) => row.map(cell).join(",") + "\r\n").join("");
}

function answer(shot, choice) {
  choose(shot, choice);
  recount();
  if (!keep()) tell("This browser keeps nothing for this page: save your choices before you close it.");
}
document.addEventListener("change", (event) => {
  const input = event.target;
  if (input.type === "radio") answer(input.closest(".shot") || large.of, input.value);
});
document.addEventListener("click", (event) => {
  const said = event.target.closest(".said");
  if (!said) return;
  const shot = said.closest(".shot");
  answer(shot || large.of, "");
  // The button is gone: the keyboard goes on at the answers that it stood beside.
  (shot || by("large-more")).querySelector("input").focus();
});

by("hide").addEventListener("change", (event) => {
  document.body.classList.toggle("hide-no", event.target.checked);
});

function save() {
  const chosen = shots.filter((shot) => shot.dataset.choice).length;
  if (!chosen) { tell("Nothing is chosen yet: mark a picture with Yes, Maybe or No first."); return; }
  // The byte order mark tells spreadsheets that names are UTF-8.
  const file = new Blob(["\ufeff", table()], { type: "text/csv" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = "picks.csv";
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  tell(`${count(chosen, "choice")} saved as picks.csv: send this file to whoever sent you this page. ` +
    "If no file came, copy the choices as text instead.");
}
by("save-file").addEventListener("click", save);
by("bar-save").addEventListener("click", () => { save(); by("save").scrollIntoView(); });

by("copy").addEventListener("click", async () => {
  const text = by("text");
  by("as-text").open = true;
  text.focus();
  text.select();
  let done = false;
  try { await navigator.clipboard.writeText(text.value); done = true; } catch {
    done = document.execCommand("copy");
  }
  tell(done ? "Copied: paste it into a message to whoever sent you this page."
    : "The text below is selected: copy it, and paste it into a message.");
});

// Rows of a table as a spreadsheet may have saved it: quotes, commas or semicolons.
function rowsOf(text) {
  const plain = text.replace(/^\ufeff/, "");
  const first = plain.split("\n", 1)[0];
  const mark = first.includes(";") && !first.includes(",") ? ";" : ",";
  const rows = [[""]];
  let quoted = false;
  for (let at = 0; at < plain.length; at += 1) {
    const letter = plain[at];
    const row = rows[rows.length - 1];
    if (quoted) {
      if (letter !== '"') row[row.length - 1] += letter;
      else if (plain[at + 1] === '"') { row[row.length - 1] += '"'; at += 1; }
      else quoted = false;
    } else if (letter === '"' && row[row.length - 1] === "") quoted = true;
    else if (letter === mark) row.push("");
    else if (letter === "\n") rows.push([""]);
    else if (letter !== "\r") row[row.length - 1] += letter;
  }
  return rows.filter((row) => row.some((value) => value.trim()));
}
const unguarded = (text) => /^'[=+\-@]/.test(text) ? text.slice(1) : text;

function load(text) {
  const [head = [], ...rows] = rowsOf(text);
  const column = (name) => head.findIndex((found) => found.trim().toLowerCase() === name);
  const [file, frame, choice, picture] = ["file_name", "frame", "choice", "picture"].map(column);
  if (file < 0 || frame < 0 || choice < 0) {
    tell("This is no picks file: its first line must name file_name, frame and choice.");
    return;
  }
  let taken = 0, changed = 0, unknown = 0;
  for (const row of rows) {
    const value = (at) => unguarded((row[at] || "").trim());
    const shot = shots.find((one) =>
      one.dataset.fileName === value(file) && one.dataset.frame === value(frame));
    const said = value(choice).toLowerCase();
    if (!shot || !Object.hasOwn(WORDS, said)) unknown += 1;
    else if (picture >= 0 && value(picture) && value(picture) !== shot.dataset.picture) changed += 1;
    else { choose(shot, said); taken += 1; }
  }
  recount();
  keep();
  tell(`${count(taken, "choice")} loaded.` +
    (changed ? ` ${count(changed, "choice")} left out: the picture has changed since.` : "") +
    (unknown ? ` ${count(unknown, "line")} left out: not on this page, or no choice.` : ""));
}
by("load").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (file) load(await file.text());
  event.target.value = "";
});

// The enlarged view goes through the pictures of one person, those marked No left out if hidden.
large.all = () => {
  const own = [...large.of.closest(".sitter").querySelectorAll(".shot")];
  return own.filter((shot) => shot === large.of || shot.offsetParent);
};
large.shown = (shot) => {
  by("large-more").replaceChildren(by("large-choice").content.cloneNode(true));
  show(by("large-more"), shot.dataset.choice);
};

const before = kept();
for (const shot of shots) {
  const choice = before[key(shot)];
  choose(shot, Object.hasOwn(WORDS, choice || "") ? choice : "");
}
recount();
