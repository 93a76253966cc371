// The learn page: choose, press, keep.
import { Contact, at, doorSheet, put, shownAsOld } from "/contact.js";

let card = null;
let after = null;  // what was wanted when the code was asked for

const door = doorSheet(() => contact, () => { const go = after; after = null; if (go) go(); });
const contact = new Contact({
  seen: show,
  fresh: shownAsOld,
  door: (how, wait) => door.heard(how, wait),
});

function options(select, texts) {
  const key = texts.join("\n");
  if (select.dataset.key === key) return;
  select.dataset.key = key;
  const chosen = select.value;
  select.replaceChildren(...texts.map((text) => new Option(text, text)));
  if (texts.includes(chosen)) select.value = chosen;
}

function about() {
  if (!card) return;
  at("where").hidden = !card.jumps.includes(at("does").value);
  at("which").hidden = !card.of_a_mix.includes(at("does").value);
}

function rows(card) {
  const key = JSON.stringify(card.controls);
  const body = at("rows");
  if (body.dataset.key === key) return;
  body.dataset.key = key;
  body.replaceChildren(...card.controls.map((control) => {
    const row = document.createElement("tr");
    const held = control.hold_ms ? `, held ${control.hold_ms} ms` : "";
    const does = [control.does, control.about].filter(Boolean).join(": ") + held;
    for (const text of [does, control.message, control.port]) {
      const cell = document.createElement("td");
      cell.textContent = text;
      row.append(cell);
    }
    return row;
  }));
  at("none").hidden = card.controls.length > 0;
}

function show(fresh) {
  card = fresh;
  put(at("name"), card.show);
  options(at("does"), card.commands);
  options(at("section"), card.sections);
  options(at("mix"), card.mixes);
  about();
  for (const step of ["choose", "listen", "keep"]) at(step).hidden = card.step !== step;
  put(at("listen-wanted"), card.wanted);
  put(at("keep-wanted"), card.wanted);
  put(at("left"), String(card.left_s));
  put(at("heard"), card.heard);
  put(at("lines"), card.lines.join("\n"));
  put(at("inputs"), card.inputs.join(", "));
  if (card.said !== at("said").dataset.card) {
    at("said").dataset.card = card.said;
    put(at("said"), card.said);
    at("said").classList.toggle("bad", card.trouble);
  }
  rows(card);
}

async function press(what, words = {}) {
  if (!contact.inside) {
    after = () => press(what, words);
    door.show();
    return;
  }
  const answer = await contact.press(what, words);
  if (!answer.done) {
    put(at("said"), answer.words);
    at("said").classList.add("bad");
  }
}

at("does").addEventListener("change", about);
at("wanted").addEventListener("submit", (event) => {
  event.preventDefault();
  const words = Object.fromEntries(["does", "section", "mix", "hold"].map((name) => [name, at(name).value]));
  press("learn", words);
});
for (const button of document.querySelectorAll("[data-press]")) {
  button.addEventListener("click", () => press(button.dataset.press));
}
