#!/bin/sh
# What others make of the drawings and sheets: a real browser (no two labels of a drawing overlap or
# leave it; contrast of WCAG 2.1, 1.4.3, in light and dark; nothing wider than a phone; each sheet
# prints on one page) and Python's csv and json modules.
#   check_reports.sh BUILD_DIR
set -eu
build=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
failed=0
complain() {
    echo "FAIL: $*"
    failed=1
}
browser() { # options and URL; 60 s at most
    timeout 60 chromium --headless --no-sandbox --disable-gpu --user-data-dir="$work/profile" \
        --allow-file-access-from-files "$@" 2>/dev/null
}

for program in test_plot test_sheet test_table; do
    GALLERY_DIR=$work "$build/tests/$program" >"$work/log" 2>&1 || { cat "$work/log"; exit 1; }
done

# Drawings: boxes of all labels, by the browser's own fonts.
{
    echo '<!DOCTYPE html><meta charset="utf-8"><body>'
    for svg in "$work"/*.svg; do
        echo "<section data-name='$(basename "$svg")'>"
        sed '1s/<?xml[^>]*?>//' "$svg"
        echo '</section>'
    done
    cat <<'PAGE'
<pre id="result"></pre><script>
let out = [], labels = 0;
for (const section of document.querySelectorAll("section")) {
  const name = section.dataset.name, svg = section.querySelector("svg");
  const frame = svg.getBoundingClientRect();
  const boxes = [...svg.querySelectorAll("text")].map(t => {
    const r = t.getBoundingClientRect(), trim = r.height * 0.13;
    return {text: t.textContent, x0: r.left, x1: r.right, y0: r.top + trim, y1: r.bottom - trim};
  });
  labels += boxes.length;
  boxes.forEach((a, i) => {
    if (a.x0 < frame.left - 1 || a.x1 > frame.right + 1 || a.y0 < frame.top - 1 || a.y1 > frame.bottom + 1)
      out.push(`${name}: '${a.text}' leaves the drawing`);
    boxes.slice(i + 1).forEach(b => {
      if (a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1)
        out.push(`${name}: '${a.text}' overlaps '${b.text}'`);
    });
  });
}
document.getElementById("result").textContent = `looked at ${labels} labels\n` + out.join("\n") + "\nend of list";
</script>
PAGE
} >"$work/drawings.page.html"
browser --dump-dom "file://$work/drawings.page.html" | sed -n '/<pre id="result">/,/end of list/p' |
    sed 's/.*<pre id="result">//; s/end of list.*//' >"$work/labels"
head -1 "$work/labels"
grep -Eq 'looked at [0-9]{3,} labels' "$work/labels" || complain "the browser saw no labels"
sed '1d;/^$/d' "$work/labels" | grep . && complain "labels overlap"

# Sheets: contrast, and width on a phone.
{
    echo '<!DOCTYPE html><meta charset="utf-8"><body>'
    for sheet in "$work"/sheet-*.html "$work"/winding-*.html; do
        echo "<iframe width=390 height=600 src='file://$sheet'></iframe>"
    done
    cat <<'PAGE'
<pre id="result"></pre><script>
onload = () => {
  let out = [], seen = 0, dark = matchMedia("(prefers-color-scheme: dark)").matches;
  const light = c => { c /= 255; return c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const luminance = c => { const [r, g, b] = c.match(/[\d.]+/g).map(Number);
    return 0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b); };
  for (const frame of document.querySelectorAll("iframe")) {
    const doc = frame.contentDocument, name = frame.src.split("/").pop();
    if (doc.documentElement.scrollWidth > 391)
      out.push(`${name}: ${doc.documentElement.scrollWidth} wide on a phone of 390`);
    const ground = frame.contentWindow.getComputedStyle(doc.querySelector(".leaf")).backgroundColor;
    for (const e of doc.querySelectorAll("body *:not(title):not(desc)")) {
      if (![...e.childNodes].some(n => n.nodeType == 3 && n.textContent.trim())) continue;
      const style = frame.contentWindow.getComputedStyle(e);
      const ink = e instanceof frame.contentWindow.SVGElement ? style.fill : style.color;
      if (!ink.startsWith("rgb(")) continue;
      const a = luminance(ink), b = luminance(ground);
      const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      seen++;
      if (ratio < 4.5) out.push(`${name}: contrast ${ratio.toFixed(2)} of '${e.textContent.slice(0, 30)}'`);
    }
  }
  document.getElementById("result").textContent =
    `looked at ${seen} texts, ${dark ? "dark" : "light"}\n` + out.join("\n") + "\nend of list";
};
</script>
PAGE
} >"$work/sheets.page.html"
for mode in light dark; do
    setting=
    [ $mode = dark ] && setting=--blink-settings=preferredColorScheme=0
    browser $setting --virtual-time-budget=5000 --dump-dom "file://$work/sheets.page.html" |
        sed -n '/<pre id="result">/,/end of list/p' |
        sed 's/.*<pre id="result">//; s/end of list.*//' >"$work/contrast"
    head -1 "$work/contrast"
    grep -Eq "looked at [0-9]{3,} texts, $mode" "$work/contrast" || complain "no $mode texts seen"
    sed '1d;/^$/d' "$work/contrast" | grep . && complain "sheets in $mode mode"
done

# Paper.
printed=0
for sheet in "$work"/sheet-*.html "$work"/winding-*.html; do
    browser --no-pdf-header-footer --print-to-pdf="$work/out.pdf" "file://$sheet" || true
    pages=$(pdfinfo "$work/out.pdf" | sed -n 's/^Pages: *//p')
    size=$(pdfinfo "$work/out.pdf" | sed -n 's/^Page size: *//p')
    [ "$pages" = 1 ] || complain "$(basename "$sheet") prints on $pages pages"
    case $size in *A4*) ;; *) complain "$(basename "$sheet") prints on $size" ;; esac
    rm -f "$work/out.pdf"
    printed=$((printed + 1))
done
echo "printed $printed sheets"

# Tables, read by others.
python3 - "$work" <<'PYTHON' || complain "tables do not read back"
import csv, json, sys
folder = sys.argv[1]
made = json.load(open(folder + "/table.json", encoding="utf-8"))
with open(folder + "/table.csv", newline="", encoding="utf-8") as file:
    rows = list(csv.reader(file, strict=True))
assert rows[0] == ["quantity", "measured (Ω)", "measured u (Ω)", "verdict", "remark"], rows[0]
assert len(rows) - 1 == len(made["rows"]) == 3
for row, item in zip(rows[1:], made["rows"]):
    assert row[0] == item["quantity"]
    assert float(row[1]) == item["measured"]
    assert (float(row[2]) if row[2] else None) == item.get("measured_u")
    assert row[3] == (item["verdict"] or "") and row[4] == (item["remark"] or "")
print("read", len(rows) - 1, "rows back")
PYTHON
exit $failed
