// What looks like the one just dismissed: the offer at the edge, and the sheet on which such candidates are dismissed together. All
// are marked at first, and any can be left out. What becomes of them is the review's business.

import { answerShape } from "./shapes.js";

const WORDS = { true: ["dismiss", "dismiss"], false: ["open", "keep"] };
const find = (id) => document.getElementById(id);

// `isGone` says whether a candidate was judged here already; `onDismiss` is called with the ids that were left marked.
export function makeAlike({ address, isGone, onDismiss, restFocus }) {
  const sheet = find("alike-sheet");
  const grid = find("alike-grid");
  let offer = null; // { card, items, least }
  let wanted = null; // the card that was dismissed last, until its answer has come
  let isAsking = false;

  // One question at a time: whoever dismisses quickly is asked for the newest only.
  async function ask(card) {
    hide();
    wanted = card;
    if (isAsking) return;
    isAsking = true;
    try {
      while (wanted) {
        const asked = wanted;
        const reply = await fetch(address("/api/alike", { candidate: asked.id }));
        if (asked !== wanted) continue;
        wanted = null;
        if (reply.ok) show({ ...(await reply.json()), card: asked });
      }
    } catch {
      wanted = null; // An offer that does not come is missed by nobody; what has to be sent says that the server is silent.
    } finally {
      isAsking = false;
    }
  }

  function show(next) {
    offer = next;
    refresh();
  }

  function refresh() {
    if (!offer) return;
    offer.items = offer.items.filter((item) => !isGone(item.id));
    if (offer.items.length < offer.least) {
      hide();
      return;
    }
    const words = `${offer.items.length} more look like this`;
    find("alike-words").textContent = `${words} ${offer.card.kind_words}, just dismissed.`;
    find("alike").hidden = false;
  }

  function hide() {
    wanted = null;
    offer = null;
    find("alike").hidden = true;
  }

  // ---- the sheet

  function open() {
    refresh();
    if (!offer || sheet.open) return;
    const { card, items } = offer;
    find("alike-wanted").src = card.views[0].url;
    find("alike-wanted").alt = card.views[0].label;
    grid.replaceChildren(...items.map(makePick));
    count();
    sheet.showModal();
    grid.querySelector("input").focus();
  }

  function makePick(item) {
    const pick = document.createElement("label");
    const box = document.createElement("input");
    const image = document.createElement("img");
    const word = document.createElement("span");
    pick.className = "pick";
    box.type = "checkbox";
    box.checked = true;
    box.value = String(item.id);
    box.setAttribute("aria-label", `Dismiss ${item.label}`);
    image.src = item.picture;
    image.alt = "";
    image.draggable = false;
    word.className = "pick-word";
    word.setAttribute("aria-hidden", "true");
    const about = document.createElement("span");
    about.className = "pick-about";
    about.setAttribute("aria-hidden", "true");
    about.textContent = `${item.tree || "no tree given"}, ${item.date}`;
    pick.append(box, image, word, about);
    tell(pick);
    return pick;
  }

  function tell(pick) {
    const [answer, words] = WORDS[pick.querySelector("input").checked];
    const said = document.createElement("span");
    said.className = "answer";
    said.dataset.answer = answer;
    said.append(answerShape(answer), words);
    pick.querySelector(".pick-word").replaceChildren(said);
  }

  function listMarked() {
    return [...grid.querySelectorAll("input:checked")].map((box) => Number(box.value));
  }

  function count() {
    const number = listMarked().length;
    find("alike-number").textContent = String(number);
    find("alike-dismiss").disabled = !number;
    find("alike-count").textContent = `${number} of ${grid.children.length} marked to be dismissed.`;
  }

  function dismiss() {
    const ids = listMarked();
    if (!ids.length) return;
    sheet.close();
    hide();
    onDismiss(ids);
  }

  // Left and right go picture by picture, up and down row by row.
  function walk(event) {
    const boxes = [...grid.querySelectorAll("input")];
    const at = boxes.indexOf(document.activeElement);
    const columns = getComputedStyle(grid).gridTemplateColumns.split(" ").length;
    const step = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -columns, ArrowDown: columns }[event.key];
    if (at < 0 || !step) return;
    event.preventDefault();
    boxes[at + step]?.focus();
  }

  grid.addEventListener("keydown", walk);
  grid.addEventListener("change", (event) => {
    tell(event.target.closest(".pick"));
    count();
  });
  sheet.addEventListener("close", restFocus);
  find("alike-button").addEventListener("click", open);
  find("alike-dismiss").addEventListener("click", dismiss);
  find("alike-leave").addEventListener("click", () => sheet.close());

  return {
    ask,
    refresh,
    hide,
    open,
    get isOpen() {
      return sheet.open;
    },
    keys: { acts: { d: dismiss }, owns: () => false, mayRepeat: () => false, releaseSpace: () => undefined },
  };
}
