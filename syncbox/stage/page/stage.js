// The stage page: one card in, the whole page out.
import { Contact, at, doorSheet, list, put, shownAsOld } from "/contact.js";
import { fit, fitScreen } from "/fit.js";

const APART_MS = { "mute click": 700 };  // a nervous finger is one press
const SURE_MS = 3000;
let card = null;
let spoken = "";

const shortened = (number) => String(Math.round(number * 10) / 10);

function tempoWords(card) {
  if (!card.trim_permille && !card.trim_wait_bars) return "";
  const percent = card.trim_permille / 10;
  const sign = percent > 0 ? "+" : "−";
  const written = shortened(card.map_mqpm / 1000);
  const sounds = shortened(card.map_mqpm * (1000 + card.trim_permille) / 1e6);
  const tonight = `${sign}${shortened(Math.abs(percent))} %`;
  if (!card.trim_wait_bars) return `tonight ${tonight}, written ${written}`;
  const since = card.trim_wait_bars === 1 ? "from the next bar" : "too late for the next bar: from the one after";
  return `${percent ? `${tonight} = ${sounds}` : `as written, ${written}`}, ${since}`;
}

function pendingWords(card) {
  const words = [];
  if (card.cue_given) words.push(card.cue_late
    ? "Cue: too late for this round, it goes on after the next one" : "Cue given: it goes on after this round");
  if (card.stop_wait_bars) words.push(card.stop_wait_bars === 1 ? "Stops after this bar" : "Stops after the next bar");
  if (card.by_hand) words.push(card.by_hand);
  if (card.notice) words.push(card.notice);
  return words;
}

function marks(card) {
  const row = at("marks"), count = Math.min(card.beats, 16);
  if (row.children.length !== count) {
    row.replaceChildren(...Array.from({ length: count }, () => document.createElement("li")));
  }
  Array.from(row.children).forEach((mark, index) => mark.classList.toggle("on", index + 1 === card.beat));
}

function show(fresh) {
  card = fresh;
  const page = at("show");
  page.dataset.state = card.waits ? "waits" : "plays";
  page.dataset.cue = card.to_go_bars === null ? "yes" : "no";
  put(at("song"), card.song);
  const place = [`${card.song_no} of ${card.song_count}`, card.meter, card.key, card.set_time];
  put(at("place"), place.filter(Boolean).join(" · "));
  put(at("over"), card.set_over);
  put(at("state"), card.state);
  put(at("section"), card.section || "—");
  put(at("detail"), card.detail);
  put(at("cue"), card.text_cue);
  put(at("bar-of"), `bar of ${card.bars}`);
  put(at("bar"), String(card.bar));
  put(at("to-go"), card.to_go_bars === null ? "cue" : String(card.to_go_bars));
  put(at("beat-of"), `beat of ${card.beats}`);
  put(at("beat"), String(card.beat));
  put(at("tempo"), shortened(card.map_mqpm * (1000 + card.sounds_permille) / 1e6));
  put(at("trim"), tempoWords(card));
  put(at("next-label"), card.next_label);
  put(at("next"), card.next_section || "end of the song");
  list(at("patches"), card.next_patches);
  list(at("pending"), pendingWords(card));
  list(at("alarms"), card.alarms);
  marks(card);
  fitAll();
  speak();
  desk();
}

let fitted = "";

function fitAll() {  // only where something else than figures has changed
  const steady = { ...card, bar: 0, beat: 0, to_go_bars: card.to_go_bars === null, means: 0 };
  const figures = JSON.stringify([steady, at("tempo").textContent]).replace(/\d/g, "0");
  const sheet = document.querySelector(".sheet:not([hidden])");
  const key = JSON.stringify([figures, innerWidth, innerHeight, sheet && [sheet.id, sheet.offsetHeight]]);
  if (key === fitted) return;
  fitted = key;
  const box = at("show");
  box.classList.toggle("covered", Boolean(sheet));
  const side = innerWidth > innerHeight, tall = innerHeight;
  const lost = at("lost").hidden ? 0 : at("lost").offsetHeight;
  const limit = tall - lost - (sheet && !side ? sheet.offsetHeight : 0);
  const digits = "0".repeat(String(card.bars).length);
  fitScreen(box, limit, (scale) => {
    const size = (share, most) => Math.min(tall * share, most) * scale;
    box.style.setProperty("--scale", scale);
    fit(at("song"), { widest: size(side ? 0.07 : 0.04, 44), smallest: 13, lines: side ? 1 : 2 });
    fit(at("section"), { widest: size(side ? 0.3 : 0.15, 240), smallest: 22, lines: 2 });
    const large = size(side ? 0.34 : 0.19, 260);
    fit(at("bar"), { widest: large, smallest: 30, probe: digits });
    fit(at("to-go"), { widest: large, smallest: 30, probe: card.to_go_bars === null ? "" : digits });
    const small = size(side ? 0.16 : 0.085, 120);
    fit(at("beat"), { widest: small, smallest: 20, probe: "0".repeat(String(card.beats).length) });
    fit(at("tempo"), { widest: small, smallest: 20 });
    fit(at("next"), { widest: size(side ? 0.13 : 0.075, 110), smallest: 18, lines: 2 });
  });
}

function speak() {  // for a screen reader: sections, not beats
  const words = `${card.song}: ${card.section}. Then ${card.next_section || "the end"}.`;
  if (words !== spoken) { spoken = words; put(at("spoken"), words); }
}

// --- presses ---------------------------------------------------------------------------------

const door = doorSheet(() => contact, () => { at("desk").hidden = false; sheets(); });
const contact = new Contact({
  seen: show,
  fresh: (words) => { shownAsOld(words); desk(); },
  door: (how, wait) => {
    door.heard(how, wait);
    if (how !== "open" && !at("desk").hidden) { at("desk").hidden = true; door.show(); door.heard(how, wait); }
    sheets();
    desk();
  },
});

function sheets() {
  at("hands").setAttribute("aria-expanded", String(!at("desk").hidden || !at("door").hidden));
  at("pass-on").setAttribute("aria-expanded", String(!at("way").hidden));
  if (card) fitAll();
}

const busy = new Set();

function desk() {
  const old = document.body.classList.contains("old");
  for (const button of document.querySelectorAll("#desk [data-press]")) {
    const means = !old && card && card.means.includes(button.dataset.press);
    button.disabled = !means || busy.has(button.dataset.press);
    if (!means) calm(button);
  }
  const tempo = !old && card && card.means.includes("tempo");
  for (const part of at("tempo-form").elements) part.disabled = !tempo || (part.id !== "wanted" && busy.has("tempo"));
  if (!card) return;
  at("press-mute").setAttribute("aria-pressed", String(card.click_off));
  put(at("press-mute"), card.click_off ? "The click is off: switch it on" : "Mute the click");
}

async function press(what, words) {
  if (busy.has(what)) return;
  busy.add(what);
  desk();
  const since = performance.now();
  const answer = await contact.press(what, words);
  put(at("desk-said"), answer.done ? "" : answer.words);
  if (answer.done && what === "tempo") at("wanted").value = "";
  const rest = (APART_MS[what] ?? 250) - (performance.now() - since);
  setTimeout(() => { busy.delete(what); desk(); }, Math.max(0, rest));
}

function calm(button) {
  if (!button.classList.contains("asks")) return;
  clearTimeout(Number(button.dataset.sure));
  button.classList.remove("asks");
  put(button, "Stop after this bar");
}

at("press-stop").addEventListener("click", (event) => {
  const button = event.currentTarget;
  if (button.classList.contains("asks")) { calm(button); press("stop at bar"); return; }
  button.classList.add("asks");
  put(button, "Sure? Tap again, and the music stops");
  button.dataset.sure = setTimeout(() => calm(button), SURE_MS);
});
for (const button of document.querySelectorAll("#desk [data-press]:not(#press-stop)")) {
  button.addEventListener("click", () => press(button.dataset.press));
}
at("tempo-form").addEventListener("submit", (event) => {
  event.preventDefault();
  press("tempo", { tempo: at("wanted").value });
});
at("as-written").addEventListener("click", () => press("tempo", { tempo: "0 %" }));
at("hands").addEventListener("click", () => {
  at("way").hidden = true;
  if (!at("desk").hidden) at("desk").hidden = true;
  else if (contact.inside) at("desk").hidden = false;
  else door.show();
  sheets();
});
at("pass-on").addEventListener("click", () => {
  at("door").hidden = at("desk").hidden = true;
  at("way").hidden = !at("way").hidden;
  at("way-picture").src = "/pass-on.svg";
  put(at("way-address"), location.origin);
  sheets();
});
for (const button of document.querySelectorAll(".sheet .leave")) {
  button.addEventListener("click", () => { button.closest(".sheet").hidden = true; sheets(); });
}
addEventListener("resize", () => { if (card) fitAll(); });
document.fonts?.ready.then(() => { fitted = ""; if (card) fitAll(); });
desk();
