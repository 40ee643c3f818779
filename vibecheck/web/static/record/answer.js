// Quality and first zones of a recording, built from the server's words.

function make(name, words, attributes = {}) {
  const one = document.createElement(name);
  if (words) one.textContent = words;
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  return one;
}

const WEIGHTS = { refuses: "It cannot be used so", limits: "It weakens the recording", note: "Noticed" };

/** What the recording is like. */
export function showQuality(box, { take, quality }) {
  const parts = [make("p", `${take.words}. ${take.speed}`.trim())];
  if (quality.findings.length) {
    const list = make("ul", "", { id: "findings" });
    for (const { message, advice, weight, code } of quality.findings) {
      const item = make("li", "", { "data-code": code });
      item.append(make("b", `${WEIGHTS[weight]}: `), `${message} ${advice}`);
      list.append(item);
    }
    parts.push(list);
  }
  box.replaceChildren(...parts);
}

/** Which zones come first so far. */
export function showZones(box, { result }) {
  const parts = [];
  parts.push(make("h3", "First look, before the other spots"));
  parts.push(make("p", "", { class: `verdict ${result.verdict}` }));
  const words = make("span");
  words.append(make("strong", result.headline), result.explanation);
  parts.at(-1).append(words);
  if (result.zones.length) {
    const list = make("ol", "", { class: "zones", id: "zones" });
    for (const zone of result.zones.slice(0, result.shown)) {
      const item = make("li", "", { "data-zone": zone.zone });
      item.append(make("span", String(zone.rank), { class: "rank" }));
      const cell = make("span");
      cell.append(make("span", zone.words, { class: "name" }), make("br"), `${zone.percent} probability (${zone.interval}); ${zone.severity}`);
      item.append(cell);
      list.append(item);
    }
    parts.push(list);
  }
  for (const remark of result.remarks) parts.push(make("p", remark, { class: "simulated" }));
  parts.push(make("p", result.hand_check, { class: "due" }));
  box.replaceChildren(...parts);
}
