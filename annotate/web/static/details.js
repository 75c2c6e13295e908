// What is said of a confirmed one: stage, condition, behaviour and note, in one line that stands where the answers stood.

const FIELDS = ["stage", "condition", "behaviour", "note"];

const find = (id) => document.getElementById(id);

// `onDone` is called with the card and its changed details, or null where nothing was changed.
export function makeDetails({ onDone, onTurn, restFocus }) {
  const form = find("details");
  let card = null;

  function open(next) {
    card = next;
    find("answers").hidden = true;
    form.hidden = false;
    onTurn();
    find("details-head").textContent = `Confirmed ${card.kind_words}.`;
    for (const field of FIELDS) form.elements[field].value = card.details?.[field] ?? "";
    form.elements.stage.focus();
  }

  function close() {
    const hadFocus = form.contains(document.activeElement);
    form.hidden = true;
    find("answers").hidden = false;
    if (hadFocus) restFocus();
  }

  function send(event) {
    event.preventDefault();
    const details = Object.fromEntries(FIELDS.map((field) => [field, form.elements[field].value.trim()]));
    onDone(card, FIELDS.some((field) => details[field] !== (card.details?.[field] ?? "")) ? details : null);
  }

  form.addEventListener("submit", send);
  form.addEventListener("keydown", (event) => {
    // In some browsers a closed choice takes Enter for itself; here Enter always goes on.
    if (event.key === "Enter" && !event.isComposing) send(event);
  });
  return {
    open,
    close,
    get isOpen() {
      return !form.hidden;
    },
    tell: (details) => FIELDS.map((field) => details[field]).filter(Boolean).join(", "),
  };
}
