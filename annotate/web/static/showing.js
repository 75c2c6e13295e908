// The candidate at hand as the page shows it: pictures, loop, ribbon, facts, and which answer is pressed. It asks the server for
// loops only and never for what was said, so that a blind reading can show with it.

import { makeLooking } from "./looking.js";
import { makeLoop } from "./loop.js";
import { address, find } from "./page_state.js";
import { makeRibbon } from "./ribbon.js";

// `findCard` returns the candidate at hand.
export function makeShowing({ findCard, saying }) {
  const looking = makeLooking({ onChoose: (index) => turnTo(index) });
  const ribbon = makeRibbon(find("ribbon"), { onMove: turnTo, onRest: (index) => loop.rest(findCard(), index) });
  const loop = makeLoop({ button: find("loop-button"), words: find("loop-words"), looking });

  function show(card) {
    loop.stop();
    looking.show(card, 0);
    ribbon.draw(card);
    ribbon.mark(0);
    find("main").dataset.candidate = card.id;
    tellFacts(card);
    find("ribbon-from").textContent = card.ribbon.from_words;
    find("ribbon-tree").textContent = card.ribbon.words;
    find("ribbon-until").textContent = card.ribbon.until_words;
    saying.now(card.views[0].label);
    history.replaceState(null, "", address(`/candidates/${card.id}`));
    document.title = `${card.title} – Leafshade`;
  }

  function turnTo(index) {
    loop.stop();
    looking.turnTo(index);
    ribbon.mark(index);
  }

  function tellFacts(card) {
    find("facts").replaceChildren(...card.facts.flatMap(([word, value]) => [make("dt", word), make("dd", value)]));
  }

  function tellAnswer(words, answer) {
    find("stands").textContent = words;
    for (const button of find("answers").querySelectorAll("button")) {
      button.setAttribute("aria-pressed", String(answer === button.dataset.answer));
    }
  }

  const press = (id, isOn) => find(id).setAttribute("aria-pressed", String(isOn));

  return {
    show,
    tellFacts,
    tellAnswer,
    looking,
    loop,
    acts: {
      o: () => press("outline-button", looking.toggleOutline()),
      p: () => press("pixels-button", looking.togglePixels()),
      "+": () => looking.goNearer(1),
      "=": () => looking.goNearer(1),
      "-": () => looking.goNearer(-1),
      " ": () => loop.toggle(findCard(), looking.index),
      ArrowLeft: () => ribbon.step(-1),
      ArrowRight: () => ribbon.step(1),
    },
    buttons: { outline: "o", pixels: "p", nearer: "+", farther: "-", loop: " " },
  };
}

function make(name, text) {
  const made = document.createElement(name);
  made.textContent = text;
  return made;
}
