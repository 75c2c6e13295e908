// The notebook pages: rows open their pictures, choices take effect at once. Without this script, pictures and the "Show"
// button still lead everywhere.

for (const button of document.querySelectorAll("[data-opens]")) {
  button.hidden = false;
  button.addEventListener("click", () => toggle(button));
}

for (const form of document.querySelectorAll("[data-choices]")) {
  for (const select of form.querySelectorAll("select")) select.addEventListener("change", () => form.requestSubmit());
}

async function toggle(button) {
  const row = document.getElementById(button.getAttribute("aria-controls"));
  const opens = row.hidden;
  row.hidden = !opens;
  button.setAttribute("aria-expanded", String(opens));
  button.textContent = button.textContent.replace(opens ? "Open" : "Close", opens ? "Close" : "Open");
  const address = button.dataset.opens;
  if (!opens || !address || row.dataset.filled) return;
  const cell = row.firstElementChild;
  try {
    const reply = await fetch(address);
    if (!reply.ok) throw new Error(String(reply.status));
    const piece = new DOMParser().parseFromString(await reply.text(), "text/html");
    cell.replaceChildren(...piece.body.childNodes);
    row.dataset.filled = "yes";
  } catch {
    const problem = document.createElement("p");
    problem.className = "problem";
    problem.textContent = "The pictures could not be fetched: the server does not answer. Close and open the row to try again.";
    cell.replaceChildren(problem);
  }
}
