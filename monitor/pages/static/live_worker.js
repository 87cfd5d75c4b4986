// One event stream for all tabs of a browser: HTTP/1.1 allows six connections a host.
"use strict";
const ports = new Set();
const source = new EventSource("/events");
let seq = 0;
const tell = (event, ids) => {
  seq = Number(event.lastEventId) || seq;
  ports.forEach((port) => port.postMessage({ ids, seq }));
};
source.addEventListener("change", (event) => tell(event, JSON.parse(event.data)));
source.addEventListener("tick", (event) => tell(event, []));
self.onconnect = (event) => {
  const port = event.ports[0];
  ports.add(port);
  if (seq) port.postMessage({ ids: [], seq });
  port.onmessage = (message) => { if (message.data === "bye") ports.delete(port); };
};
