// The connection to the program: events in, actions out.

const key = document.querySelector("meta[name=key]").content;
const silence = 12000; // ms without a word, five of which are promised, is a lost connection

// listen calls on[event](data) for each event, and link(state) when the
// connection comes or goes. It resumes where it was.
export function listen(on, link) {
  let source, after = "", heard = 0;
  const open = () => {
    source?.close();
    heard = Date.now();
    source = new EventSource(`/events?key=${key}&after=${after}`);
    source.onerror = () => { link("lost"); known(); };
    for (const name of ["alive", ...Object.keys(on)]) {
      source.addEventListener(name, (e) => {
        heard = Date.now();
        if (e.lastEventId) after = e.lastEventId;
        link("live");
        on[name]?.(JSON.parse(e.data));
      });
    }
  };
  // Another run of the program at the same place does not know this page's key.
  const known = async () => {
    try {
      const r = await fetch("/action", { method: "POST", headers: { "Timeball-Key": key } });
      if (r.status === 403) link("other");
    } catch { } // it is not there
  };
  open();
  // A sleeping tablet or a lost network ends a connection without an error.
  setInterval(() => {
    if (Date.now() - heard > silence || source.readyState === EventSource.CLOSED) {
      link("lost");
      open();
    }
  }, 2000);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && Date.now() - heard > silence / 2) open();
  });
  return () => source.close();
}

// send asks for an action; it resolves to an error's text, or to "".
export async function send(action) {
  try {
    const r = await fetch("/action", {
      method: "POST", body: JSON.stringify(action),
      headers: { "Content-Type": "application/json", "Timeball-Key": key },
    });
    return r.ok ? "" : (await r.text()).trim();
  } catch {
    return "not sent: the connection is lost";
  }
}
