start(JSON.parse(document.getElementById('data').textContent));
