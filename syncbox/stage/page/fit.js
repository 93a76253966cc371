// Letters as large as their place allows: all of the words are seen, whatever a song is called.

function largest(element, high, low, fits) {
  while (high - low > 0.75) {
    const size = (low + high) / 2;
    element.style.fontSize = `${size}px`;
    if (fits(size)) low = size; else high = size;
  }
  return low;
}

// At most `widest` pixels, on one line or, where that makes much larger letters, on two.
// `probe` stands for the widest text that will come, so that the size stays from bar to bar.
export function fit(element, { widest, smallest, lines = 1, probe = "" }) {
  const text = element.textContent;
  if (probe) element.textContent = probe;
  const narrow = () => element.scrollWidth <= element.clientWidth + 0.5;
  element.classList.remove("breaks");
  element.classList.add("single");
  let size = largest(element, Math.max(widest, smallest), smallest, narrow);
  if (lines > 1) {
    element.classList.remove("single");
    const two = largest(element, Math.max(widest, smallest), smallest,
      (tried) => narrow() && element.offsetHeight <= lines * tried * 1.2);
    if (size >= 0.7 * two) element.classList.add("single"); else size = two;
  }
  element.style.fontSize = `${size}px`;
  if (!narrow()) { element.classList.remove("single"); element.classList.add("breaks"); }
  if (probe) element.textContent = text;
}

// The largest layout of a box that leaves nothing below a limit; `lay` gets 1 or less.
export function fitScreen(box, limit, lay) {
  for (let scale = 1; ; scale -= 0.06) {
    lay(scale);
    if (scale < 0.46 || box.offsetHeight <= limit) return;
  }
}
