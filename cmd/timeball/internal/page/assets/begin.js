// The guided start: shows what was said, asks, and gives way to the attempt's page,
// which comes at the same address.
const $ = (id) => document.getElementById(id);
const every = 500; // ms between looks
const lost = 20; // looks in vain, after which it is said
let count = 0, missed = 0;

async function look() {
  try {
    const r = await fetch("/guide");
    if (r.status === 404) { location.reload(); return; } // the attempt's page has come
    show(await r.json());
    missed = 0;
  } catch {
    missed++;
    $("asked").hidden = true;
    $("work").hidden = false;
    $("work").textContent = missed < lost ? "one moment" : "timeball has ended: its terminal says why";
  }
  setTimeout(look, every);
}

function show(s) {
  if ($("said").textContent !== s.said) $("said").textContent = s.said;
  $("asked").hidden = s.prompt === "";
  $("work").hidden = s.prompt !== "";
  $("work").textContent = "at work";
  if (s.prompt === "" || s.count === count) return;
  count = s.count;
  $("prompt").textContent = s.prompt;
  $("answer").value = "";
  $("answer").focus();
  $("asked").scrollIntoView({ block: "end" });
}

$("asked").addEventListener("submit", (e) => {
  e.preventDefault();
  $("asked").hidden = true;
  $("work").hidden = false;
  fetch("/answer", { method: "POST", body: JSON.stringify({ count, text: $("answer").value }) }).catch(() => {});
});

look();
