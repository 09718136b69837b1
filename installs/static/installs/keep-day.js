// On the load page: keeps the day's stops on the phone before the van leaves.
import { openField } from "../measuring/field/queue.js";
import { keepDay } from "./kept.js";

const mark = document.querySelector("[data-day]");
if (mark) {
  const userId = Number(mark.dataset.user);
  openField(userId).then(() => keepDay(userId, mark.dataset.day.split(" ").filter(Boolean)));
}
