"""A headless Chromium driven by the WebDriver protocol (W3C), for tests and benchmarks of pages."""

import base64
import json
import re
import shutil
import subprocess
import tempfile
import urllib.request

# As root, without a display, and without a word to anybody outside.
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars",
]
LIMIT_S = 60  # a machine that is busy with other tests


def missing():
    """What is not here of what it takes."""
    return [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]


class Browser:
    def __enter__(self):
        self.profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self.driver = subprocess.Popen(["chromedriver", "--port=0"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        for line in self.driver.stdout:
            found = re.search(r"started successfully on port (\d+)", line)
            if found:
                self.base = f"http://127.0.0.1:{found.group(1)}"
                break
        else:
            raise RuntimeError("chromedriver did not start")
        options = {"args": [*FLAGS, f"--user-data-dir={self.profile.name}"]}
        capabilities = {"browserName": "chrome", "goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        session = self.call("POST", "/session", {"capabilities": {"alwaysMatch": capabilities}})
        self.base += "/session/" + session["sessionId"]
        self.call("POST", "/timeouts", {"script": LIMIT_S * 1000})
        return self

    def __exit__(self, *_):
        try:
            self.call("DELETE", "")
        finally:
            self.driver.terminate()
            self.driver.wait()
            self.profile.cleanup()

    def call(self, method, path, body=None):
        request = urllib.request.Request(
            self.base + path, method=method, data=json.dumps(body or {}).encode() if method == "POST" else None,
            headers={"Content-Type": "application/json"})
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(request, timeout=LIMIT_S) as answer:
            return json.load(answer)["value"]

    def open(self, url):
        self.call("POST", "/url", {"url": url})

    def url(self):
        return self.call("GET", "/url")

    def run(self, script, *arguments):
        return self.call("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def wait(self, script):
        """Until the expression is true; the script's own limit ends it."""
        self.call("POST", "/execute/async", {"args": [], "script":
                  f"const done = arguments[0]; const look = () => ({script}) ? done(true) : setTimeout(look, 20); look();"})

    def devtools(self, command, **parameters):
        return self.call("POST", "/goog/cdp/execute", {"cmd": command, "params": parameters})

    def look(self, width=1100, dark=False, touch=False):
        self.devtools("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=touch)
        self.devtools("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}])

    def keys(self, *keys):
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        self.call("POST", "/actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]})

    def console(self):
        return [f"{one['level']} {one['message']}" for one in self.call("POST", "/se/log", {"type": "browser"})]

    def picture(self, path, height=None, scale=1):
        """Of the whole page, or of its first `height` pixels."""
        size = self.devtools("Page.getLayoutMetrics")["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": size["width"], "height": height or size["height"], "scale": scale}
        data = self.devtools("Page.captureScreenshot", captureBeyondViewport=True, clip=clip)["data"]
        path.write_bytes(base64.b64decode(data))


def serious_findings(browser, axe):
    """What axe-core, whose text is `axe`, calls serious or critical on the page as it is."""
    browser.run(axe)
    found = browser.call("POST", "/execute/async", {"args": [], "script":
                         "const done = arguments[0]; axe.run().then(found => done(found.violations.map(one => "
                         "[one.impact, one.id, one.nodes[0].html.slice(0, 200)])))"})
    return [one for one in found if one[0] in ("serious", "critical")]


def first_paint_ms(browser, url):
    """From the start of navigation to the first thing a person sees, as the browser itself measures it."""
    browser.open(url)
    browser.wait("performance.getEntriesByName('first-contentful-paint').length > 0")
    return browser.run("return performance.getEntriesByName('first-contentful-paint')[0].startTime")
