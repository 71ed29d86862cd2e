"""Which plotting library suits a page that is opened from disk: the same chart by five, opened in Chromium.

    npm install --prefix /tmp/plots uplot@1.6.32 plotly.js-basic-dist-min@4.1.1
    pip install --target /tmp/plots/python pygal==3.1.3 leather==0.4.1
    PYTHONPATH=/tmp/plots/python python docs/experiments/page_sizes.py /tmp/plots/node_modules

1,500 layers with band, middle and two limits.  Asked of each page: its size; what a policy without
`unsafe-inline` refuses; what is left without scripts; curves or dots when printed; whether the picture has a name.
Of those that draw in Python also what their import costs, beside numpy's, which every command pays.
"""

import base64
import hashlib
import html
import json
import pathlib
import re
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from browser import Browser  # noqa: E402  tests/ is a folder of its own

from gcodetool.report.html import charts, page, palette  # noqa: E402

COUNT = 1500
POINTS = [
    charts.Point(
        layer, 220.0 * layer, 0.05 + 0.3 * (layer / COUNT) ** 0.5, 0.1 + 0.4 * (layer / COUNT) ** 0.5, None
    )
    for layer in range(1, COUNT + 1)
]
POINTS = [charts.Point(each.layer, each.at_s, each.p10, each.p50, each.p50 * 1.3) for each in POINTS]
COLUMNS = [
    [round(each.at_s / 3600, 4) for each in POINTS],
    *(
        [round(value(each), 4) for each in POINTS]
        for value in (lambda p: p.p10, lambda p: p.p50, lambda p: p.p90)
    ),
]


def whole(body: str, style: str, *scripts: str) -> str:
    """Return a page whose policy allows these scripts and this style, and nothing else."""
    hashes = [
        "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"
        for text in (style, *scripts)
    ]
    policy = f"default-src 'none'; style-src {hashes[0]}; script-src {' '.join(hashes[1:]) or chr(39) + 'none' + chr(39)}"
    tags = "".join(f"<script>{text}</script>" for text in scripts)
    return (
        f'<!doctype html><meta charset="utf-8"><meta http-equiv="Content-Security-Policy" content="{policy}">'
        f"<style>{style}</style><body>{body}{tags}"
    )


def by_matplotlib() -> str:
    """Return the page as `review` makes it: SVG in both sizes, values read off by the page's own script."""
    chart = charts.nozzle(
        POINTS,
        good=0.15,
        marginal=0.35,
        until_s=POINTS[-1].at_s,
        crossed=None,
        title="Water",
        desc="Rises.",
        name="job0",
    )
    rows = [
        [p.layer, 0, p.at_s, 0.2 * p.layer, *(page.digits(v) for v in (p.p10, p.p50, p.p90))] for p in POINTS
    ]
    frames = {"0": {"w": vars(chart.frame_wide), "n": vars(chart.frame_narrow)}}
    data = page.as_data(
        {
            "at": 0,
            "layers": rows,
            "limits": {"0": [0.15, 0.35]},
            "charts": frames,
            "unit": 3600,
            "front": None,
            "scale": [],
        }
    )
    script = (page.TEMPLATES / "page.js").read_text()
    body = (
        f'<figure class="chart" data-tool="0"><div class="wide">{chart.wide}</div><div class="narrow">{chart.narrow}</div>'
        f'</figure><script type="application/json" id="data">{data}</script>'
    )
    return whole(body, palette.css() + ".narrow{display:none}.wide svg{width:900px}", script)


def by_pygal() -> str:
    """Return the page with pygal's SVG, its scripts left out; it has no band between two curves, so three curves."""
    import pygal

    chart = pygal.XY(show_dots=False, js=[], disable_xml_declaration=True)
    for column in COLUMNS[1:]:
        chart.add("", list(zip(COLUMNS[0], column, strict=True)))
    return whole(chart.render(is_unicode=True), "")


def by_leather() -> str:
    """Return the page with leather's SVG; it has no band either."""
    import leather

    chart = leather.Chart("Water")
    for column in COLUMNS[1:]:
        chart.add_line(list(zip(COLUMNS[0], column, strict=True)))
    return whole(chart.to_svg(), "")


def import_s(words: str) -> float:
    """Return what an import costs beside numpy's: the least of five, in seconds of the processor."""
    code = f"import numpy, resource; before = resource.getrusage(0); {words}; after = resource.getrusage(0); "
    code += "print(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)"
    runs = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        for _ in range(5)
    ]
    return min(float(run.stdout) for run in runs)


def by_uplot(modules: pathlib.Path) -> str:
    """Return the page with uPlot: drawn on a canvas by its script."""
    folder = modules / "uplot" / "dist"
    own = (
        f"new uPlot({{width:900,height:300,scales:{{x:{{time:false}}}},bands:[{{series:[3,1],fill:'#9cc3c6'}}],"
        "series:[{},{label:'p10'},{label:'p50',stroke:'#0f4c5c'},{label:'p90'}]},"
        f"{json.dumps(COLUMNS, separators=(',', ':'))},document.getElementById('p'));"
    )
    return whole(
        '<div id="p"></div>',
        (folder / "uPlot.min.css").read_text(),
        (folder / "uPlot.iife.min.js").read_text(),
        own,
    )


def by_plotly(modules: pathlib.Path) -> str:
    """Return the page with Plotly's basic bundle: SVG, drawn by its script."""
    x, p10, p50, p90 = (json.dumps(column, separators=(",", ":")) for column in COLUMNS)
    own = (
        f"const x={x};Plotly.newPlot('p',[{{x,y:{p10},mode:'lines'}},{{x,y:{p90},mode:'lines',fill:'tonexty'}},"
        f"{{x,y:{p50},mode:'lines'}}],{{width:900,height:300}},{{displayModeBar:false}});"
    )
    script = next((modules / "plotly.js-basic-dist-min").glob("plotly-basic.min.js")).read_text(
        encoding="utf-8"
    )
    return whole('<div id="p"></div>', "", script.replace("</script", "<\\/script"), own)


def main() -> None:
    """Print the table."""
    modules = pathlib.Path(sys.argv[1])
    pages = {
        "matplotlib, SVG": by_matplotlib(),
        "pygal, SVG": by_pygal(),
        "leather, SVG": by_leather(),
        "uPlot": by_uplot(modules),
        "Plotly, basic": by_plotly(modules),
    }
    imports = {
        "matplotlib, SVG": "from matplotlib.figure import Figure; import matplotlib.backends.backend_svg",
        "pygal, SVG": "import pygal",
        "leather, SVG": "import leather",
    }
    print("| | page, kB | refused by the policy | without scripts | printed as | named | import, CPU s |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder, Browser() as browser:
        browser.size(1000, 600)
        for name, text in pages.items():
            path = pathlib.Path(folder) / "page.html"
            path.write_text(text, encoding="utf-8")
            browser.open(path)
            browser.run("new Promise((done) => setTimeout(done, 500))")
            refused = sum("Content Security Policy" in html.unescape(each) for each in browser.complaints())
            drawn = browser.run("document.querySelectorAll('svg, canvas').length")
            images = len(re.findall(rb"/Subtype\s*/Image", browser.pdf()))
            named = browser.run(
                "[...document.querySelectorAll('svg, canvas')].some((e) => e.getAttribute('aria-labelledby') || "
                "e.getAttribute('aria-label'))"
            )
            browser.scripts(on=False)
            browser.open(path)
            tree = json.dumps(browser.call("DOM.getDocument", depth=-1))
            browser.scripts(on=True)
            alone = "the chart" if re.search(r'"nodeName": "(svg|CANVAS)"', tree) else "nothing"
            printed = "nothing" if not drawn else "dots" if images else "curves"
            print(
                f"| {name} | {len(text.encode()) / 1000:.0f} | {refused or 'nothing'} | {alone} | {printed} "
                f"| {'yes' if named else 'no'} | {f'{import_s(imports[name]):.2f}' if name in imports else ''} |"
            )


if __name__ == "__main__":
    main()
