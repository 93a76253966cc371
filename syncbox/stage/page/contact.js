// The connection: cards come in, presses go out, and old news says that it is old.

const SILENT_MS = 2000;
const AGAIN_MS = 1000;
const ANSWER_MS = 2500;

export class Contact {
  // `seen(card)` gets every card; `fresh(words)` an empty text, or why what is shown is old.
  constructor({ seen, fresh, door, full }) {
    Object.assign(this, { seen, fresh, door });
    this.code = sessionStorage.getItem("code") || "";
    this.inside = false;
    this.no = 0;
    this.heard = performance.now();
    this.began = false;
    this.newest = null;  // a card that is not drawn yet
    this.waiting = new Map();
    this.pressed = 0;
    if (!("WebSocket" in window)) {
      fresh("This browser is too old for this page: take another one.");
      return;
    }
    this.open();
    setInterval(() => this.look(), 250);
    addEventListener("online", () => this.again());
    document.addEventListener("visibilitychange", () => { if (!document.hidden) { this.look(); this.again(); } });
  }

  open() {
    clearTimeout(this.timer);
    const socket = new WebSocket(`ws://${location.host}/live`);
    this.socket = socket;
    this.opened = performance.now();
    socket.onopen = () => { if (this.code) this.say({ code: this.code }); };
    socket.onmessage = (event) => { if (socket === this.socket) this.take(JSON.parse(event.data)); };
    socket.onclose = () => { if (socket === this.socket) this.lost(); };
  }

  lost() {
    this.socket = null;
    this.inside = false;
    this.timer = setTimeout(() => this.open(), AGAIN_MS * (0.7 + Math.random() * 0.6));
    this.look();
  }

  again() {  // now, where a connection is missing or has gone silent
    const silent = performance.now() - this.heard > SILENT_MS;
    const slow = performance.now() - this.opened > SILENT_MS;
    if (this.socket && (!silent || !slow)) return;
    const old = this.socket;
    this.socket = null;
    if (old) old.close();
    this.open();
  }

  look() {
    const silent = performance.now() - this.heard;
    if (this.socket && silent > 3 * SILENT_MS && performance.now() - this.opened > 3 * SILENT_MS) this.again();
    if (silent <= SILENT_MS) this.fresh("");
    else if (this.told) this.fresh(this.told);
    else if (!this.began) this.fresh(this.socket && this.socket.readyState === 1
      ? "Connected: the show is being prepared." : "No contact with the computer that plays. Still trying.");
    else this.fresh(`No news for ${Math.round(silent / 1000)} s: what is shown is old. The music may play on. Still trying.`);
  }

  take(note) {
    if (this.another) return;  // this page is going
    if (note.card) {
      this.no = note.no;
      this.heard = performance.now();
      this.began = true;
      this.told = "";
      if (!this.newest) setTimeout(() => this.draw(), 0);  // a phone that is slow skips cards
      this.newest = note.card;
    } else if (note.hello) {  // another page or version is served here now
      this.another = Boolean(this.page) && this.page !== note.hello;
      if (this.another) location.reload();
      this.page = note.hello;
    } else if (note.full) {
      this.told = `${note.full} phones look already, and there is no room for more.`;
    } else if (note.door) {
      this.inside = note.door === "open";
      if (note.door === "wrong") { this.code = ""; sessionStorage.removeItem("code"); }
      if (this.inside) sessionStorage.setItem("code", this.code);
      if (note.door === "wait") this.tryAgain(note.wait_s);
      this.door(note.door, note.wait_s);
    } else if (note.answer) {
      const done = this.waiting.get(note.answer.id);
      this.waiting.delete(note.answer.id);
      if (done) done(note.answer);
    }
  }

  draw() {
    const card = this.newest;
    this.newest = null;
    this.seen(card);
    this.fresh("");
  }

  say(note) {
    if (this.socket && this.socket.readyState === 1) this.socket.send(JSON.stringify(note));
  }

  tryAgain(wait_s) {  // somebody else has guessed too often: ours is right, as far as we know
    clearTimeout(this.again_code);
    this.again_code = setTimeout(() => { if (this.code && !this.inside) this.say({ code: this.code }); },
      1000 * (wait_s + 0.2 + Math.random()));
  }

  tryCode(code) {
    this.code = code;
    if (this.socket && this.socket.readyState === 1) this.say({ code });
    else this.door("away", 0);
  }

  press(what, words = {}) {  // gives {done, words}
    const id = ++this.pressed;
    return new Promise((resolve) => {
      if (!this.socket || this.socket.readyState !== 1 || performance.now() - this.heard > SILENT_MS) {
        resolve({ done: false, words: "no contact: this press did not count" });
        return;
      }
      this.waiting.set(id, resolve);
      setTimeout(() => {
        if (this.waiting.delete(id)) resolve({ done: false, words: "no answer: look, then press again" });
      }, ANSWER_MS);
      this.say({ press: what, id, seen: this.no, words });
    });
  }
}

export const at = (id) => document.getElementById(id);

export function put(element, text) {  // only what has changed is written
  if (element.textContent !== text) element.textContent = text;
}

export function list(element, texts) {
  const key = texts.join("\n");
  if (element.dataset.key === key) return;
  element.dataset.key = key;
  element.replaceChildren(...texts.map((text) => {
    const item = document.createElement("li");
    item.textContent = text;
    return item;
  }));
}

export function shownAsOld(words) {
  document.body.classList.toggle("old", Boolean(words));
  const line = at("lost");
  if (line.hidden !== !words) line.hidden = !words;
  if (line.dataset.words !== words) { line.dataset.words = words; put(line, words); }
}

// The sheet for the code: opens when somebody wants to press, and says how it went.
export function doorSheet(contact, opened) {
  const sheet = at("door"), input = at("code"), said = at("door-said");
  at("code-form").addEventListener("submit", (event) => {
    event.preventDefault();
    put(said, "");
    contact().tryCode(input.value.replace(/\D/g, ""));
  });
  sheet.querySelector(".leave").addEventListener("click", () => { sheet.hidden = true; });
  return {
    show() { put(said, ""); sheet.hidden = false; input.focus(); },
    heard(how, wait) {
      const later = wait > 0 ? ` The next try counts in ${Math.ceil(wait)} s.` : "";
      if (how === "open") { input.value = ""; const asked = !sheet.hidden; sheet.hidden = true; if (asked) opened(); }
      else if (how === "wrong") put(said, `That is not the code.${later}`);
      else if (how === "wait") put(said, `Too many wrong tries: yours is tried again in ${Math.ceil(wait)} s.`);
      else put(said, "No contact: try again in a moment.");
    },
  };
}
