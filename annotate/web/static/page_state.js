// What the server wrote into the page, and addresses that keep what was chosen there: order, tree and kind stay from page to page.

export const state = JSON.parse(document.getElementById("state").textContent);

export const find = (id) => document.getElementById(id);

export function address(path, more = {}) {
  const text = new URLSearchParams({ ...state.query, ...more }).toString();
  return text ? `${path}?${text}` : path;
}
