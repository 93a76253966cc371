// Letters as large as their place allows: all of the words are seen, whatever a song is called.
// Each look at a size makes the browser lay the page out, so there are as few as can be.

const TRIED = 40;  // pixels: a line grows evenly with its letters, so one look tells its size

// At most `widest` pixels, on one line or, where that makes much larger letters, on two.
// `probe` stands for the widest text that will come, so that the size stays from bar to bar.
export function fit(element, { widest, smallest, lines = 1, probe = "" }) {
  const text = element.textContent;
  if (probe) element.textContent = probe;
  const narrow = () => element.scrollWidth <= element.clientWidth;
  const limited = (size) => Math.max(smallest, Math.min(widest, size));
  element.classList.remove("breaks");
  element.classList.add("single");
  element.style.display = "inline-block";
  element.style.fontSize = `${TRIED}px`;
  const line = element.offsetWidth;
  element.style.display = "";
  const room = element.clientWidth;
  let size = limited(line ? TRIED * (room - 1) / line : widest);
  if (lines > 1 && size < 0.7 * widest) {
    element.classList.remove("single");
    let low = size, high = Math.max(size, widest);
    for (let look = 0; look < 5; look += 1) {
      const tried = (low + high) / 2;
      element.style.fontSize = `${tried}px`;
      if (narrow() && element.offsetHeight <= lines * tried * 1.2) low = tried; else high = tried;
    }
    if (size >= 0.7 * low) element.classList.add("single"); else size = low;
  }
  element.style.fontSize = `${size}px`;
  if (!narrow()) { element.classList.remove("single"); element.classList.add("breaks"); }
  if (probe) element.textContent = text;
}

// The largest layout of a box that leaves nothing below a limit; `lay` gets 1 or less.
export function fitScreen(box, limit, lay) {
  const fits = (scale) => { lay(scale); return box.offsetHeight <= limit; };
  if (fits(1)) return;
  let low = 0.42, high = 1;
  for (let look = 0; look < 4; look += 1) {
    const scale = (low + high) / 2;
    if (fits(scale)) low = scale; else high = scale;
  }
  lay(low);
}
