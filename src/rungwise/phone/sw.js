// Keeps this page's own files on the device, so that it opens without a network. Nothing else.
const NAME = 'rungwise-@edition@', FILES = @files@;
self.addEventListener('install', event => {
  event.waitUntil(caches.open(NAME).then(cache => cache.addAll(FILES)).then(() => self.skipWaiting()));
});
self.addEventListener('activate', event => {
  event.waitUntil(caches.keys()
    .then(names => Promise.all(names.filter(n => n.startsWith('rungwise-') && n !== NAME).map(n => caches.delete(n))))
    .then(() => self.clients.claim()));
});
self.addEventListener('fetch', event => {
  const url = new URL(event.request.url);
  if (event.request.method !== 'GET' || url.origin !== location.origin) return;
  event.respondWith(caches.open(NAME)
    .then(cache => cache.match(event.request, { ignoreSearch: true }))
    .then(found => found || fetch(event.request)));
});
