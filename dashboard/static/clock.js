// @ts-check
/* Offers the phone's date while nothing else confirms the computer's. Without a script
   nothing is offered: a date that a person types is none that is right to the second. */

/**
 * @template {Element} T
 * @param {string} selector
 * @returns {T}
 */
function one(selector) {
  const found = document.querySelector(selector);
  if (!found) throw new Error(`nothing on the page matches ${selector}`);
  return /** @type {T} */ (found);
}

const form = /** @type {HTMLFormElement} */ (one(".clock form"));
const says = /** @type {HTMLElement} */ (one(".clock .phone"));
const field = /** @type {HTMLInputElement} */ (one(".clock input"));
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** A date in the van's zone, written as the server writes it. @param {Date} date */
function written(date) {
  const format = new Intl.DateTimeFormat("en-US", {
    timeZone: form.dataset.zone || "UTC", hourCycle: "h23", weekday: "short",
    year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "2-digit",
  });
  /** @type {Record<string, string>} */
  const part = {};
  for (const each of format.formatToParts(date)) part[each.type] = each.value;
  const hour = Number(part.hour);
  return `${part.weekday} ${part.day} ${MONTHS[Number(part.month) - 1]} ${part.year}, ${hour}:${part.minute}`;
}

function tell() {
  says.textContent = ` This phone says ${written(new Date())}.`;
}

// The date goes as it is when the key is pressed, not as it was when the page came.
form.addEventListener("submit", () => { field.value = String(Date.now()); });
tell();
setInterval(tell, 1000);
form.hidden = false;
