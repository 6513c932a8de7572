"""What check_page.sh asks of the running bench page.

Sources: contrast, reflow and target size are those of WCAG 2.1 (W3C Recommendation, 2018) 1.4.3,
1.4.10 and the relative luminance of its glossary; target size 24 px is WCAG 2.2 2.5.8. Answers to
bad requests are those of RFC 9110. Letters to be read at two metres: a capital of a two-hundredth of
the distance (common practice, no source), 10 mm, with 96 px an inch and a capital of 0.7 em."""
import http.client
import json
import re
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.parse

from browser import DOWN, ENTER, SHIFT, TAB, Browser

BUILD, DIR, PICTURES = sys.argv[1:4]
LOG = open(DIR + "/page.log", encoding="utf-8").read()
PORT = int(re.search(r"http://127\.0\.0\.1:(\d+)/", LOG).group(1))
TOKEN = re.search(r"from it: (\S+)", LOG).group(1)
HERE = "http://127.0.0.1:%d/" % PORT
DATABASE = DIR + "/t.db"
HOSTILE = "<img src=x onerror=alert(1)>"


def check(good, words):
    if not good:
        raise AssertionError(words)


def entries():
    with sqlite3.connect("file:%s?mode=ro" % DATABASE, uri=True) as db:
        return db.execute("select count(*) from observation").fetchone()[0]


def hands(what):
    subprocess.run([BUILD + "/fixtures/simulated-bench", "--hands", DIR + "/ports", what], check=True,
                   stdout=subprocess.DEVNULL)


def truewound(*words):
    return subprocess.run([BUILD + "/analyze/truewound", "--db", DATABASE, *words],
                          stdout=subprocess.PIPE, text=True, check=False)


def ask(method, path, body=None, host=None, **headers):
    """One request as it stands; a header named x_y is sent as x-y, None leaves it out."""
    line = http.client.HTTPConnection("127.0.0.1", PORT, timeout=20)
    line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    if host != "":
        line.putheader("Host", host or "127.0.0.1:%d" % PORT)
    for name, value in headers.items():
        line.putheader(name.replace("_", "-"), value)
    if body is not None:
        line.putheader("Content-Type", "application/x-www-form-urlencoded")
        line.putheader("Content-Length", str(len(body)))
    line.endheaders(body.encode() if body is not None else None)
    answer = line.getresponse()
    answer.body = answer.read().decode()
    line.close()
    return answer


def form(**fields):
    return urllib.parse.urlencode(fields)


def raw(data, wait=3.0):
    """What comes back for bytes that are no proper request."""
    with socket.create_connection(("127.0.0.1", PORT), timeout=wait) as line:
        got = b""
        try:
            line.sendall(data)
            while True:
                more = line.recv(65536)
                if not more:
                    break
                got += more
        except OSError:
            pass
        return got.decode(errors="replace")


def check_gate():
    before = entries()
    head = ask("GET", "/")
    check(head.status == 200, "the page itself: %d" % head.status)
    policy = head.getheader("Content-Security-Policy", "")
    for part in ("default-src 'none'", "script-src 'self'", "frame-ancestors 'none'",
                 "form-action 'self'"):
        check(part in policy, "policy without %s: %s" % (part, policy))
    check("unsafe" not in policy, "policy: " + policy)
    check(head.getheader("Cache-Control") == "no-store", "cache")
    check(head.getheader("X-Content-Type-Options") == "nosniff", "nosniff")
    check("<form" not in head.body, "a form for a browser without the token")
    check(ask("HEAD", "/").body == "", "HEAD has a body")

    for host in ("evil.example", "evil.example:%d" % PORT, "127.0.0.1", "127.0.0.1:1",
                 "127.0.0.1.evil.example:%d" % PORT, "192.168.1.7:%d" % PORT, "[::2]:%d" % PORT,
                 "localhost:%d.evil" % PORT, "localhost:%d@evil" % PORT, " ", "[", "[]:%d" % PORT,
                 "a" * 400):
        check(ask("GET", "/", host=host).status in (400, 421), "took Host %r" % host)
    for host in ("localhost:%d" % PORT, "LOCALHOST:%d" % PORT, "[::1]:%d" % PORT,
                 "127.0.0.1:%d" % PORT):
        check(ask("GET", "/icon.svg", host=host).status == 200, "refused Host %r" % host)
    check(ask("GET", "/", host="").status == 400, "took a request without Host (RFC 9112 3.2)")

    for path in ("/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/..%2f..%2fetc/passwd",
                 "//etc/passwd", "/script.js/../../t.db", "/t.db", "/live/x", "/index.html"):
        answer = ask("GET", path)
        check(answer.status in (400, 404) and "root:" not in answer.body, "path %s" % path)
    check(ask("GET", "/?coil=nobody").status == 404, "a coil that is not there")
    check(ask("GET", "/?coil=" + "a" * 3000).status in (404, 414), "a long name")
    check(ask("GET", "/?coil=%ff%fe").status == 404, "bytes that are no text")
    for method in ("PUT", "DELETE", "OPTIONS", "TRACE", "PATCH", "CONNECTX"):
        check(ask(method, "/").status == 405, method)
    check(ask("GET", "/note").status == 405 and ask("POST", "/", body="").status == 405, "methods")

    big = form(token="x" * 100000)
    check(ask("POST", "/unlock", body=big).status == 413, "a huge form")
    check("HTTP/1.1 200" not in raw(b"POST /unlock HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nTransfer-"
                                    b"Encoding: chunked\r\nContent-Type: application/x-www-form-"
                                    b"urlencoded\r\n\r\n" % PORT +
                                    b"1000\r\n" + b"x" * 4096 + b"\r\n" * 1 +
                                    b"1000\r\n" + b"x" * 4096 + b"\r\n0\r\n\r\n"), "chunks")
    check(re.match(r"HTTP/1.1 4|$", raw(b"GET /" + b"a" * 200000 + b" HTTP/1.1\r\n\r\n")), "long line")
    check(re.match(r"HTTP/1.1 4|$", raw(b"GET / HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nX: " % PORT +
                                        b"a" * 200000 + b"\r\n\r\n")), "long header")
    raw(b"\x00\xff\r\n\r\n", 1.0)
    idle = [socket.create_connection(("127.0.0.1", PORT)) for _ in range(50)]
    for line in idle:
        line.close()
    check(ask("GET", "/icon.svg").status == 200, "does not answer after 50 idle connections")

    note = dict(coil="arm-2", place="limb-a", pole="north")
    check(ask("POST", "/note", body=form(**note)).status == 403, "noted without token")
    check(ask("POST", "/note", body=form(form="0" * 64, **note),
              Cookie="truewound-bench=" + "0" * 32).status == 403, "noted with a made-up session")
    check(ask("POST", "/unlock", body=form(token="aaaa-aaaa-aaaa")).status == 403, "wrong token")
    check(ask("POST", "/unlock", body="").status == 403, "no token")
    check(ask("POST", "/unlock", body=form(token=TOKEN), Origin="http://evil.example").status == 403,
          "token from another site")

    opened = ask("POST", "/unlock", body=form(token=TOKEN.upper().replace("-", " "), coil="arm-2"))
    check(opened.status == 303 and opened.getheader("Location") == "/?coil=arm-2", "right token")
    cookie = opened.getheader("Set-Cookie")
    check("HttpOnly" in cookie and "SameSite=Strict" in cookie, "cookie: " + cookie)
    cookie = cookie.split(";")[0]
    mine = ask("GET", "/?coil=arm-2", Cookie=cookie).body
    words = dict(re.findall(r'action="(/\w+)".*?name="form" value="(\w+)"', mine, re.S))
    check(set(words) == {"/note", "/take", "/lock"}, "forms: %s" % words)
    for bad in (dict(form="0" * 64), dict(form=words["/take"]), dict(form=""),
                dict(form=words["/note"], coil="arm-1")):
        answer = ask("POST", "/note", body=form(**{**note, **bad}), Cookie=cookie)
        check(answer.status == 403, "noted with form %s" % bad)
    check(ask("POST", "/note", body=form(form=words["/note"], **note), Cookie=cookie,
              Origin="http://evil.example").status == 403, "noted for another site")
    check(ask("POST", "/note", body=form(form=words["/note"], **note), Cookie=cookie,
              Origin="null").status == 403, "noted for no site")
    for bad in (dict(pole="up"), dict(place="pair"), dict(place="--json")):
        check(ask("POST", "/note", body=form(**{**note, **bad}, form=words["/note"]),
                  Cookie=cookie).status == 400, "noted %s" % bad)
    for bad in (dict(what="lift pair"), dict(what="resistance"), dict(what="--help limb-a"),
                dict(channel="--help"), dict(channel="no.such"), dict(wires="3")):
        fields = dict(coil="arm-2", what="resistance limb-b", channel="meter.resistance", wires="4")
        check(ask("POST", "/take", body=form(**{**fields, **bad}, form=words["/take"]),
                  Cookie=cookie).status in (400, 404), "took %s" % bad)
    check(ask("POST", "/lock", body=form(coil="arm-2", form=words["/lock"]),
              Cookie=cookie).status == 303, "lock")
    check(ask("POST", "/note", body=form(form=words["/note"], **note), Cookie=cookie).status == 403,
          "noted after it was locked")
    time.sleep(0.5)
    check(entries() == before, "something was stored by a refused request")


def check_too_many():
    """At the end: it shuts the door for a minute."""
    last = [ask("POST", "/unlock", body=form(token="wrong")).status for _ in range(12)]
    check(last[-1] == 429, "wrong tokens without end: %s" % last)
    check(ask("POST", "/unlock", body=form(token=TOKEN)).status == 429, "right one among guesses")
    listeners = []
    for _ in range(14):
        line = socket.create_connection(("127.0.0.1", PORT), timeout=10)
        line.sendall(b"GET /live HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % PORT)
        listeners.append((line, line.recv(64).decode()))
    check("503" in listeners[-1][1] and " 200 " in listeners[0][1], "listeners without end")
    for line, _ in listeners:
        line.close()
    time.sleep(2.5)
    line = socket.create_connection(("127.0.0.1", PORT), timeout=10)
    line.sendall(b"GET /live HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % PORT)
    check(" 200 " in line.recv(64).decode(), "a place is not given back")
    line.close()


# Every text that is to be read, with its colours and its place.
TEXTS = """
var seen = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
function back(e) {
  for (; e; e = e.parentElement) {
    var c = getComputedStyle(e).backgroundColor;
    if (c !== 'rgba(0, 0, 0, 0)' && c !== 'transparent') return c;
  }
  return 'rgb(255, 255, 255)';
}
while (walker.nextNode()) {
  var node = walker.currentNode, e = node.parentElement, style = getComputedStyle(e);
  if (!node.textContent.trim() || ['OPTION', 'NOSCRIPT', 'SCRIPT', 'STYLE'].indexOf(e.tagName) >= 0
      || !e.checkVisibility({checkVisibilityCSS: true})) continue;
  var range = document.createRange();
  range.selectNodeContents(node);
  Array.prototype.forEach.call(range.getClientRects(), function (r) {
    if (r.width < 1 || r.height < 1 || r.right < 0) return;
    seen.push({text: node.textContent.trim().slice(0, 40), colour: style.color, back: back(e),
      px: parseFloat(style.fontSize), bold: parseInt(style.fontWeight, 10) >= 700,
      box: [r.left, r.top, r.right, r.bottom]});
  });
}
return seen;
"""


def channel(v):
    v /= 255.0
    return v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4


def luminance(colour):
    r, g, b = [channel(float(v)) for v in re.findall(r"[\d.]+", colour)[:3]]
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a, b):
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def check_look(browser, where, width=1280):
    wide = browser.run("return document.documentElement.scrollWidth")
    check(wide <= width, "%s: %d px wide in %d" % (where, wide, width))
    texts = browser.run(TEXTS)
    check(len(texts) > 20, "%s: hardly any text" % where)
    for t in texts:
        large = t["px"] >= 24 or (t["bold"] and t["px"] >= 18.66)
        ratio = contrast(t["colour"], t["back"])
        check(ratio >= (3.0 if large else 4.5), "%s: contrast %.2f of %r" % (where, ratio, t["text"]))
        check(t["box"][0] >= -0.5 and t["box"][2] <= width + 0.5,
              "%s: %r runs out of the page" % (where, t["text"]))
    for i, a in enumerate(texts):
        for b in texts[i + 1:]:
            x = min(a["box"][2], b["box"][2]) - max(a["box"][0], b["box"][0])
            y = min(a["box"][3], b["box"][3]) - max(a["box"][1], b["box"][1])
            # line boxes of big letters may touch; half a line on another is an overlap
            check(x <= 1 or y <= 0.25 * min(a["px"], b["px"]),
                  "%s: %r over %r" % (where, a["text"], b["text"]))
    small = browser.run("return Array.prototype.filter.call("
                        "document.querySelectorAll('a,button,select,summary'), function (e) {"
                        "var r = e.getBoundingClientRect();"
                        "return r.width > 0 && (r.height < 24 || r.width < 24); })"
                        ".map(function (e) { return e.outerHTML.slice(0, 80); })")
    check(not small, "%s: too small to touch: %s" % (where, small))


def focus(browser):
    return browser.run("var e = document.activeElement, s = getComputedStyle(e); return {"
                       "tag: e.tagName, id: e.id, words: e.textContent,"
                       "outline: s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2};")


def tab_to(browser, test, words, backwards=False):
    for _ in range(60):
        browser.keys(TAB)
        at = focus(browser)
        if at["tag"] != "BODY":
            check(at["outline"], "focus cannot be seen on %s" % at)
        if test(at):
            return
    raise AssertionError("the keyboard does not reach " + words)


def picture(browser, name):
    if PICTURES:
        browser.picture("%s/%s.png" % (PICTURES, name))


def check_browser(browser):
    browser.size(1280, 900)
    browser.scheme("light")
    browser.go(HERE)
    browser.until("a verdict", lambda: browser.text("#verdict .verdict"))
    check(browser.text("h1") == "arm-2", "the coil measured last: " + browser.text("h1"))
    check(browser.text("#verdict .verdict") == "undecided", "one resistance decides nothing")
    browser.until("the next step", lambda: "imb B" in browser.text("#step .next"))
    px = browser.run("return parseFloat(getComputedStyle("
                     "document.querySelector('.next')).fontSize)")
    check(px * 0.7 * 25.4 / 96 >= 10.0, "the step cannot be read at two metres: %g px" % px)

    # Live: another limb on the clips is seen without touching the page.
    before = browser.until("the reading", lambda: browser.text("#wanted b"))
    # fixtures/railway-bench.ini states the meter's accuracy
    sure = browser.text("#wanted .sure")
    check(sure.startswith("\u00b1 ") and sure.endswith(" \u03a9"), "how sure: " + repr(sure))
    hands("connect meter pair")
    browser.until("the pair's resistance on the page",
                  lambda: browser.text("#wanted b") not in ("", before) and
                  float(browser.text("#wanted b").split()[0]) > 1.5 * float(before.split()[0]))
    hands("connect meter limb-b")
    browser.until("limb B's again", lambda: browser.text("#wanted b")[:3] == before[:3])
    check(browser.run("return document.querySelectorAll('svg.trace polyline').length") >= 4, "traces")
    browser.until("the battery of a site", lambda: "home-signal" in browser.text("#batteries"))
    for scheme in ("light", "dark"):
        browser.scheme(scheme)
        check_look(browser, "desk, %s" % scheme)

    # Keyboard only, from looking to noting.
    tab_to(browser, lambda at: at["id"] == "unlock-link", "the way to the token")
    browser.keys(ENTER)
    browser.until("the question", lambda: browser.run("return document.activeElement.id") == "token")
    check_look_small(browser)
    browser.keys("nonsense" + ENTER)
    browser.until("a refusal", lambda: "not the token" in browser.text("main"))
    check("nonsense" not in browser.url(), "the token went into the address")
    browser.until("the question", lambda: browser.run("return document.activeElement.id") == "token")
    browser.keys(TOKEN + ENTER)
    browser.until("forms", lambda: browser.text("#act button"))
    tab_to(browser, lambda at: at["id"] == "wires", "the leads")
    browser.keys(DOWN)
    tab_to(browser, lambda at: at["id"] == "take", "'take'")
    had = entries()
    browser.keys(ENTER)
    browser.until("the reading is waited for", lambda: "Hold still" in browser.text("#step"), 10)
    browser.until("it was noted", lambda: entries() == had + 1, 40)
    browser.until("it says so", lambda: "resistance of limb B" in browser.text("#act .pass"))
    browser.until("it is on the list", lambda: "limb B" in browser.text("#taken"))
    with sqlite3.connect("file:%s?mode=ro" % DATABASE, uri=True) as db:
        place, conditions, remark = db.execute(
            "select place, conditions, remark from observation order by id desc limit 1").fetchone()
    check(place == "limb-b" and '"wires":4' in conditions.replace(" ", "").replace("4.0", "4"),
          "stored: %s %s" % (place, conditions))
    check(remark == "from the bench page", "remark: %s" % remark)

    # A needle that does not stir has its button; the compass was too far off, and it is taken back.
    tab_to(browser, lambda at: at["id"] == "none-limb-a", "'does not stir'")
    check(focus(browser)["words"] == "does not stir", "button: %s" % focus(browser))
    had = entries()
    browser.keys(ENTER)
    browser.until("it was noted", lambda: entries() == had + 1, 15)
    browser.until("it says so", lambda: "none" in browser.text("#act .pass"), 15)
    browser.until("it is on the list", lambda: "none" in browser.text("#taken"))
    with sqlite3.connect("file:%s?mode=ro" % DATABASE, uri=True) as db:
        still, value = db.execute(
            "select id, value from observation order by id desc limit 1").fetchone()
    check(value == 0.0, "a needle that does not stir is stored as %g" % value)
    truewound("observe", "arm-2", "limb-a", "polarity", "north", "--supersedes", str(still))
    browser.until("it is off the list", lambda: "none" not in browser.text("#taken"), 15)
    browser.until("forms again", lambda: browser.text("#act button"), 15)

    # The simulated coil lacks turns on limb B: the verdict must come to that by itself.
    for limb, pole in (("limb-a", "north"), ("limb-b", "south")):
        tab_to(browser, lambda at, want=pole + "-" + limb: at["id"] == want, limb)
        had = entries()
        browser.keys(ENTER)
        browser.until("the polarity was noted", lambda want=had + 1: entries() == want, 15)
        browser.until("forms again", lambda: browser.text("#act button"), 15)
    hands("connect meter pair")
    time.sleep(1)
    truewound("take", "arm-2", "pair", "resistance", "--channel", "meter.resistance", "--wires", "4")
    mass = subprocess.run([BUILD + "/fixtures/simulated-bench", "--hands", DIR + "/ports",
                           "weigh wire"], stdout=subprocess.PIPE, text=True, check=True).stdout
    truewound("observe", "arm-2", "pair", "wire-mass", mass.strip())
    browser.until("the verdict on the page is fail",
                  lambda: browser.text("#verdict .verdict") == "fail", 40)
    check("limb B" in browser.text(".findings tr"), "finding: " + browser.text(".findings tr"))
    check(browser.text("#verdict .soft").startswith("before the last one:"), "what was before")
    verdict = truewound("--json", "verify", "arm-2", "--unrecorded")
    check(verdict.returncode == 1, "the command says otherwise: %d" % verdict.returncode)
    words = json.loads(verdict.stdout)["step"]["words"]
    check(re.match("It fails; this tells|Put it right|Not certain", words), "step: " + words)
    browser.until("the page's step is the command's: " + words,
                  lambda: browser.text("#step .how") == words, 40)

    for scheme in ("light", "dark"):
        browser.scheme(scheme)
        browser.size(1280, 900)
        time.sleep(0.5)
        check_look(browser, "desk with forms, %s" % scheme)
        picture(browser, "page-desk-" + scheme)
        for width in (390, 320): # a phone; the narrowest that WCAG 1.4.10 names
            browser.size(width, 844, True)
            time.sleep(0.5)
            check_look(browser, "%d px, %s" % (width, scheme), width)
            picture(browser, "page-%d-%s" % (width, scheme))
    browser.size(1280, 900)
    browser.scheme("light")
    check(browser.run("return document.documentElement.lang") == "en", "language")
    check(browser.run("return document.querySelectorAll('[aria-live=polite]').length") == 2, "live")


def check_look_small(browser):
    for t in browser.run(TEXTS):
        check(contrast(t["colour"], t["back"]) >= 4.5, "contrast of %r" % t["text"])


def check_injection(browser):
    """What strangers wrote into the database is shown as text."""
    evil = '<script>document.title="broken"</script><img src=x onerror="document.title=1">'
    with sqlite3.connect(DATABASE, timeout=20) as db:
        coil = db.execute("select id from coil where name = 'arm-1'").fetchone()[0]
        db.execute("update coil set name = ? where id = ?", (HOSTILE, coil))
        other = db.execute("select id from coil where name = 'arm-3'").fetchone()[0]
        columns = [row[1] for row in db.execute("pragma table_info(verdict)")]
        row = dict(coil=other, time=int(time.time() * 1e6), version=evil, digest=evil,
                   verdict="fail", findings='[{"text": "%s"}]' % evil.replace('"', '\\"'))
        row = {k: v for k, v in row.items() if k in columns}
        db.execute("insert into verdict (%s) values (%s)" % (", ".join(row), ",".join("?" * len(row))),
                   list(row.values()))
    browser.go(HERE + "?coil=" + urllib.parse.quote(HOSTILE))
    browser.until("the coil's own page", lambda: browser.text("h1") == HOSTILE)
    browser.until("what a stranger wrote, as text", lambda: "<script>" in browser.text("#coils"), 15)
    check("<script>" in browser.text("header"), "the design's note")
    check(browser.run("return document.title").startswith(HOSTILE), "title")
    check(browser.run("return document.querySelectorAll('img, main script').length") == 0, "markup")
    check_look(browser, "hostile names")


def check_plain(browser):
    """Without script it is a plain page that comes again by itself."""
    browser.scripts(False)
    browser.go(HERE + "?coil=arm-2")
    source = ask("GET", "/?coil=arm-2").body
    check('http-equiv="refresh"' in source and "<noscript>" in source, "no reload")
    for words in ("fail", "meter.resistance", "<table", "limb B", "arm-2"):
        check(words in source, "without script there is no " + words)
    browser.scripts(True)


def main():
    check_gate()
    browser = Browser()
    try:
        check_browser(browser)
        check_injection(browser)
        check_plain(browser)
        loud = [entry["message"] for entry in browser.log() if entry["level"] in ("SEVERE", "WARNING")
                and "/unlock" not in entry["message"]]
        check(not loud, "the console says: %s" % loud)
    except Exception:
        picture(browser, "page-failed")
        print(browser.text("body"), file=sys.stderr)
        raise
    finally:
        browser.close()
    check_too_many()


main()
