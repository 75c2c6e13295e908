// The page's ground, dark or paper, as this browser's person chose it; set before the first paint.
(() => {
  const KEY = "leafshade-table";
  const root = document.documentElement;
  const read = () => {
    try {
      return localStorage.getItem(KEY) === "paper" ? "paper" : "dark";
    } catch {
      return "dark";
    }
  };
  const lay = (table) => {
    root.dataset.table = table;
    for (const button of document.querySelectorAll("[data-table-switch]")) {
      button.hidden = false;
      button.textContent = table === "paper" ? "Dark page" : "Light page";
    }
  };
  lay(read());
  document.addEventListener("DOMContentLoaded", () => {
    lay(read());
    for (const button of document.querySelectorAll("[data-table-switch]")) {
      button.addEventListener("click", () => {
        const next = root.dataset.table === "paper" ? "dark" : "paper";
        try {
          localStorage.setItem(KEY, next);
        } catch {
          // Without storage the choice lasts as long as the page.
        }
        lay(next);
      });
    }
  });
})();
