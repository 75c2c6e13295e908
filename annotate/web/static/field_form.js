// What the forms of records by eye share: steps and quick values, the caution of a tree, values read and set as texts.

export const SAID = ["stage", "condition", "behaviour", "count", "height_m", "aspect", "branch", "marker", "searched_min", "note"];

export function readForm(form) {
  const values = {};
  for (const [name, value] of new FormData(form)) if (typeof value === "string") values[name] = value.trim();
  return values;
}

export function setForm(form, values) {
  for (const [name, value] of Object.entries(values)) {
    const field = form.elements[name];
    if (!field || field.type === "file") continue;
    // Setting the value of a list of radio buttons to nothing does not choose the one that says nothing.
    if (field instanceof RadioNodeList) for (const one of field) one.checked = one.value === value;
    else if (field.type === "radio") field.checked = field.value === value;
    else field.value = value;
  }
}

export function wireForm(form, onChange) {
  form.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-for]");
    if (!button) return;
    const field = form.elements[button.dataset.for];
    if (button.dataset.set) field.value = button.dataset.set;
    else {
      const now = Number(field.value.replace(",", ".")) || 0;
      const next = Math.max(Number(button.dataset.least), now + Number(button.dataset.step));
      field.value = String(Math.round(next * 100) / 100);
    }
    onChange();
  });
  form.addEventListener("input", onChange);
  form.addEventListener("change", onChange);
  form.addEventListener("keydown", (event) => {
    // On a phone the key that closes the keyboard must not save half a record.
    if (event.key === "Enter" && event.target.matches("input")) event.preventDefault();
  });
}

export function showCaution(form) {
  const chosen = form.querySelector("input[name=tree]:checked");
  const line = document.getElementById("caution");
  if (!line) return;
  line.hidden = !chosen?.dataset.caution;
  line.textContent = chosen?.dataset.caution ? `Caution at ${chosen.value}: ${chosen.dataset.caution}` : "";
}
