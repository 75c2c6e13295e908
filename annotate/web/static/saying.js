// What stands at the edge for a while: what was just said, what someone else said, and what went wrong. Each of the three has
// a place of its own, so that none covers another; all are read out by a screen reader.

const WHILE_MS = 12000; // long enough to read and to reach for "undo"; it waits while someone is on it

const find = (id) => document.getElementById(id);

export function makeSaying() {
  const timers = new Map();

  function stand(id) {
    find(id).hidden = false;
    clearTimeout(timers.get(id));
    timers.set(id, setTimeout(() => tidy(id), WHILE_MS));
  }

  function tidy(id) {
    const slip = find(id);
    if (slip.matches(":hover") || slip.contains(document.activeElement)) stand(id);
    else slip.hidden = true;
  }

  find("meanwhile-button").addEventListener("click", () => (find("meanwhile").hidden = true));

  return {
    said(sentence, { undo = false } = {}) {
      find("slip-words").textContent = sentence;
      find("undo-button").hidden = !undo;
      stand("slip");
    },
    // Told until someone has read it: it may change what one thinks of the picture.
    meanwhile(sentence) {
      find("meanwhile-words").textContent = sentence;
      find("meanwhile").hidden = false;
    },
    quietMeanwhile: () => (find("meanwhile").hidden = true),
    trouble(sentence, word) {
      find("trouble-words").textContent = sentence;
      find("retry-button").textContent = word;
      find("trouble").hidden = false;
    },
    calm: () => (find("trouble").hidden = true),
    now: (sentence) => (find("now").textContent = sentence),
  };
}
