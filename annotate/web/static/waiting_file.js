// What waits to be sent, as a table that "leafshade observations import" reads: for when the computer will not answer at this address
// again. The keys are those under which it would be sent, so that nothing stands twice if both arrive. Photos are not in it.

const COLUMNS = ["tree", "at_utc", "date", "time", "stage", "condition", "behaviour", "note", "count", "height_m", "aspect", "branch", "marker", "searched_min", "observer", "entry_key"];
const FORMULA = /^[ ']*[=+\-@\t\r]/; // a spreadsheet would run such a cell; reading takes the apostrophe away again

export function writeTable(entries) {
  const rows = entries.map(({ body }) => {
    const values = { ...body, at_utc: body.at?.replace(/\.\d+Z$/, "Z"), observer: body.reviewer, entry_key: `page-${body.entry}` };
    return COLUMNS.map((name) => quote(values[name] ?? "")).join(",");
  });
  return [COLUMNS.join(","), ...rows, ""].join("\r\n");
}

export function makeFile(entries) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([writeTable(entries)], { type: "text/csv" }));
  link.download = `seen by eye ${new Date().toISOString().slice(0, 16).replace(":", "")}.csv`;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

function quote(text) {
  const safe = FORMULA.test(text) ? `'${text}` : text;
  return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}
