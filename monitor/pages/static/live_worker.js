// One event stream for all tabs of a browser: HTTP/1.1 allows six connections a host.
"use strict";
const ports = new Set();
const source = new EventSource("/events");
const tell = (message) => ports.forEach((port) => port.postMessage(message));
source.addEventListener("change", (event) => tell({ ids: JSON.parse(event.data) }));
source.addEventListener("tick", (event) => tell({ ids: [], age_s: JSON.parse(event.data).age_s }));
self.onconnect = (event) => {
  const port = event.ports[0];
  ports.add(port);
  port.onmessage = (message) => { if (message.data === "bye") ports.delete(port); };
};
