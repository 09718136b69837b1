// Plays entries on the phone's model and says, of every opening, what the phone shows.
import { Measure } from "/field/measure.js";
import { project } from "/field/model.js";

const table = await (await fetch("/rules-table.json")).json();
const sorted = (rows) => rows.map((row) => JSON.stringify(row)).sort().map((row) => JSON.parse(row));

function said(day) {
  const measure = new Measure(table, day), out = {};
  for (const visit of day.visits) {
    for (const one of visit.openings) {
      const found = measure.evaluate(visit, one);
      out[one.uid] = {
        state: one.state,
        size: found.size ? [found.size.width, found.size.height] : null,
        gaps: sorted(found.gaps.map((gap) => [gap.code, gap.field, gap.turn])),
        findings: sorted(found.findings.map((one) => [one.code, one.field, one.severity])),
      };
    }
  }
  return out;
}

window.play = (text) => JSON.stringify(JSON.parse(text).map(({ day, deeds, fresh }) => {
  const waiting = [...deeds, ...fresh];
  return { deeds: waiting, openings: said(project(day, waiting, table)) };
}));
document.title = "ready";
