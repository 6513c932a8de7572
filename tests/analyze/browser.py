"""A browser for the tests: Chromium, headless, driven by chromedriver over the WebDriver protocol
(W3C Recommendation "WebDriver", 2018), with nothing but Python's own library."""
import base64
import json
import os
import subprocess
import tempfile
import time
import urllib.error
import urllib.request

ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
TAB, ENTER, SPACE, SHIFT, DOWN = "\ue004", "\ue007", " ", "\ue008", "\ue015"


class Browser:
    def __init__(self):
        self.home = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self.driver = subprocess.Popen(["chromedriver", "--port=0"], stdout=subprocess.PIPE,
                                       stderr=subprocess.DEVNULL, text=True)
        self.port = None
        for line in self.driver.stdout:
            if "started successfully on port" in line:
                self.port = int(line.rstrip(".\n").split()[-1])
                break
        if not self.port:
            raise SystemExit("chromedriver did not start")
        options = ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                   "--disable-dev-shm-usage", "--no-first-run", "--disable-extensions",
                   "--disable-background-networking", "--user-data-dir=" + self.home.name]
        answer = self.call("POST", "/session", {"capabilities": {"alwaysMatch": {
            "browserName": "chrome", "goog:chromeOptions": {"args": options},
            "goog:loggingPrefs": {"browser": "ALL"}}}})
        self.session = "/session/" + answer["sessionId"]

    def call(self, method, path, body=None):
        request = urllib.request.Request(
            "http://127.0.0.1:%d%s" % (self.port, path), method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json"})
        try:
            with urllib.request.urlopen(request, timeout=90) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as error:
            raise RuntimeError("%s %s: %s" % (method, path, error.read().decode()[:500]))

    def cdp(self, command, **parameters):
        return self.call("POST", self.session + "/goog/cdp/execute",
                         {"cmd": command, "params": parameters})

    def go(self, url):
        self.call("POST", self.session + "/url", {"url": url})

    def url(self):
        return self.call("GET", self.session + "/url")

    def run(self, script, *arguments):
        return self.call("POST", self.session + "/execute/sync",
                         {"script": script, "args": list(arguments)})

    def text(self, selector):
        return self.run("var e = document.querySelector(arguments[0]);"
                        "return e ? e.innerText : ''", selector)

    def keys(self, text):
        pressed = [{"type": kind, "value": key} for key in text for kind in ("keyDown", "keyUp")]
        self.call("POST", self.session + "/actions",
                  {"actions": [{"type": "key", "id": "board", "actions": pressed}]})

    def size(self, width, height, phone=False):
        self.cdp("Emulation.setDeviceMetricsOverride", width=width, height=height,
                 deviceScaleFactor=1, mobile=phone)

    def scheme(self, name):
        self.cdp("Emulation.setEmulatedMedia",
                 features=[{"name": "prefers-color-scheme", "value": name}])

    def scripts(self, on):
        self.cdp("Emulation.setScriptExecutionDisabled", value=not on)

    def log(self):
        return self.call("POST", self.session + "/se/log", {"type": "browser"})

    def picture(self, path, whole=True):
        data = self.cdp("Page.captureScreenshot", captureBeyondViewport=whole)["data"]
        with open(path, "wb") as out:
            out.write(base64.b64decode(data))

    def until(self, what, test, seconds=30.0):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            value = test()
            if value:
                return value
            time.sleep(0.2)
        raise AssertionError("not within %g s: %s" % (seconds, what))

    def close(self):
        try:
            self.call("DELETE", self.session)
        finally:
            self.driver.terminate()
            self.driver.wait()
            self.driver.stdout.close()
            self.home.cleanup()
