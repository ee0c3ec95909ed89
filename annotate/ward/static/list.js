// The list keeps itself up to date, without taking away what somebody is about to press.
"use strict";

const SECONDS = 10;
const list = document.getElementById("list");

async function renew() {
  if (document.hidden || list.contains(document.activeElement)) {
    return;
  }
  try {
    const answer = await fetch("/", { headers: { "X-Again": "1" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const renewed = page.getElementById("list");
    if (!answer.ok || !renewed) {
      throw new Error("no list");
    }
    if (renewed.innerHTML !== list.innerHTML) {
      list.replaceChildren(...renewed.childNodes);
    }
    document.getElementById("stale").hidden = true;
  } catch {
    document.getElementById("stale").hidden = false;
  }
}

setInterval(renew, SECONDS * 1000);
