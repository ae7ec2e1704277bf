"""Opens pages of `phasemill report` in a real browser and uses them as a reader does.

    python tests/browser.py BROWSER PAGE RESULTS [LONG-PAGE]

RESULTS is the result file behind PAGE, whose numbers are read with h5py. LONG-PAGE holds a trace of very many samples,
one of which is a spike of 7 V. Prints `N checks passed`; an assertion says what is wrong.
"""

import os
import re
import sys
import tempfile
import xml.etree.ElementTree as xml

import h5py
import numpy as np
from playwright.sync_api import sync_playwright

ARGUMENTS = [
    "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
] + (["--no-sandbox"] if os.geteuid() == 0 else [])

passed = 0


def check(what, is_true, found=""):
    global passed
    assert is_true, f"{what}: {found}"
    passed += 1


def opened(browser, path, **options):
    """A page, and lists of what it complained of and asked for."""
    page = browser.new_page(**options)
    errors, requests = [], []
    page.on("console", lambda m: errors.append(m.text))
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.on("request", lambda r: requests.append(r.url))
    page.goto("file://" + os.path.abspath(path))
    page.wait_for_function("typeof views !== 'undefined' && views.size > 0")
    return page, errors, requests


def data(page, plot):
    """What the page knows of the first series of a plot: places, values, ends of intervals, unit."""
    return page.evaluate(
        """(id) => { const { plot } = views.get(id); const s = plot.series[0]; const all = (a) => a && Array.from(a, (x) => Number.isFinite(x) ? x : null);
            return { x: all(Array.from(s.values, (_, k) => s.place(k))), y: all(s.values), low: all(s.low), high: all(s.high), unit: plot.y.unit }; }""",
        plot,
    )


PREFIXES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}


def numbers_are_those_of_the_file(page, results):
    with h5py.File(results) as file:
        entry = next(e for e in file if e != "provenance")
        group = file[entry]["signal"]
        expected = {name: group[name][()] for name in ("angle", "amplitude", "amplitude_low", "amplitude_high")}
        assert group["amplitude"].attrs["units"] == "V"
    found = data(page, "signal-amplitude")
    check("the unit is volts", found["unit"].endswith("V"), found["unit"])
    factor = PREFIXES[found["unit"][:-1]]
    for name, of in [("amplitude", "y"), ("amplitude_low", "low"), ("amplitude_high", "high")]:
        here = np.array([np.nan if v is None else v for v in found[of]])
        # The file's number is taken to SI units and to the unit of the plot: two roundings of 2^-53 each, and one
        # here; 4 units in the last place hold them.
        same = np.isclose(here * factor, expected[name], rtol=4 * 2.0**-52, atol=0, equal_nan=True)
        check(f"{name} is that of the file", same.all(), (here * factor, expected[name]))
    check("places are those of the file", found["x"] == list(expected["angle"]), found["x"])
    return found


def keyboard_reads_and_zooms(page):
    frame = page.locator("#plot-signal-amplitude .frame")
    reading = page.locator("#plot-signal-amplitude .reading")
    view = lambda: page.evaluate("views.get('signal-amplitude').range")
    frame.focus()
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    page.keyboard.press("ArrowRight")
    first = reading.inner_text()
    check("the first point is read", first.startswith("angle 0 deg: "), first)
    check("its interval too", "interval" in first and re.search(r"V", first), first)
    page.keyboard.press("ArrowRight")
    second = reading.inner_text()
    check("the next point is another", second != first and second.startswith("angle 10 deg: "), second)
    page.keyboard.press("End")
    check("the last point", reading.inner_text().startswith("angle 50 deg: "), reading.inner_text())
    page.keyboard.press("ArrowLeft")
    check("back by one", reading.inner_text().startswith("angle 40 deg: "), reading.inner_text())
    check("focus is seen", page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid", outline)
    whole = view()
    page.keyboard.press("+")
    half = view()
    check("plus zooms", abs((half[1] - half[0]) / (whole[1] - whole[0]) - 0.5) < 1e-9, half)
    page.keyboard.press("Shift+ArrowLeft")
    check("shift and arrow move", view()[0] < half[0], view())
    page.keyboard.press("-")
    page.keyboard.press("0")
    check("0 shows all", view() == whole, view())
    page.keyboard.press("Escape")
    check("escape stops reading", reading.inner_text() == "", reading.inner_text())


def standing(page, locator):
    """Where something is once the page has stopped scrolling to it, which it does smoothly."""
    locator.scroll_into_view_if_needed()
    last = None
    while (box := locator.bounding_box()) != last:
        last = box
        page.wait_for_timeout(200)
    return box


def pointer_reads_and_zooms(page):
    box = standing(page, page.locator("#plot-signal-amplitude svg"))
    reading = page.locator("#plot-signal-amplitude .reading")
    view = lambda: page.evaluate("views.get('signal-amplitude').range")
    whole = view()
    at = lambda part: (box["x"] + part * box["width"], box["y"] + 0.5 * box["height"])
    page.mouse.move(*at(0.5))
    check("pointing reads", "angle" in reading.inner_text(), reading.inner_text())
    page.mouse.move(*at(0.3))
    page.mouse.down()
    page.mouse.move(*at(0.6), steps=5)
    page.mouse.up()
    zoomed = view()
    check("dragging zooms", whole[0] < zoomed[0] < zoomed[1] < whole[1], zoomed)
    page.mouse.dblclick(*at(0.5))
    check("double-click shows all", view() == whole, view())
    page.locator("#plot-signal-amplitude [data-act=in]").click()
    check("the button zooms", view() != whole, view())
    page.locator("#plot-signal-amplitude [data-act=all]").click()
    check("the button shows all", view() == whole, view())


def data_and_drawing_are_saved(page, found, folder):
    for act, ending in [("csv", "csv"), ("svg", "svg")]:
        with page.expect_download() as download:
            page.locator(f"#plot-signal-amplitude [data-act={act}]").click()
        check(f"{act} has its name", download.value.suggested_filename == f"signal-amplitude.{ending}")
        download.value.save_as(os.path.join(folder, ending))
    with open(os.path.join(folder, "csv"), encoding="utf-8") as file:
        rows = [line.rsplit(",", 4) for line in file.read().splitlines()[1:]]
    own = [row for row in rows if row[0] == '"signal amplitude"']
    values = [float(row[2]) if row[2] else None for row in own]
    check("the CSV has the numbers of the plot", values == found["y"], values)
    root = xml.parse(os.path.join(folder, "svg")).getroot()
    check("the drawing is an SVG", root.tag == "{http://www.w3.org/2000/svg}svg" and len(root) > 10)


def page_is_in_order(page):
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3,h4')].map((h) => Number(h.tagName[1]))")
    steps = [b - a for a, b in zip(levels, levels[1:])]
    check("headings are in order", levels[0] == 1 and levels.count(1) == 1 and max(steps) == 1, levels)
    unnamed = page.evaluate(
        "[...document.querySelectorAll('svg[role=img],button,.frame,nav')].filter((e) => !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.textContent.trim())).length"
    )
    check("everything has a name", unnamed == 0, unnamed)
    dangling = page.evaluate(
        "[...document.querySelectorAll('[aria-labelledby],[aria-describedby]')].flatMap((e) => [e.getAttribute('aria-labelledby'), e.getAttribute('aria-describedby')]).filter((id) => id && !document.getElementById(id))"
    )
    check("labels lead somewhere", dangling == [], dangling)
    twice = page.evaluate("(() => { const ids = [...document.querySelectorAll('[id]')].map((e) => e.id); return ids.filter((id, k) => ids.indexOf(id) !== k); })()")
    check("no name is given twice", twice == [], twice)
    check("a title is no script", page.evaluate("typeof window.evil") == "undefined")
    check("a title is shown as it is", "<script>" in page.locator("h1").inner_text(), page.locator("h1").inner_text())


def many_samples_are_honest(browser, path):
    page, errors, requests = opened(browser, path, viewport={"width": 1280, "height": 900})
    check("no complaint", errors == [], errors)
    trace = page.evaluate(
        """() => { const view = [...views.values()].find((v) => v.plot.id.includes('as-recorded')); const s = view.plot.series[0];
            setRange(view, ...view.whole); const began = performance.now(); redraw(view); const took = performance.now() - began;
            const path = view.svg.querySelector('.line').getAttribute('d');
            let spike = 0; s.values.forEach((y, k) => { if (y > s.values[spike]) spike = k; });
            const shown = view.drawn[0].includes(spike); const x = scaled(view.plot.x, s.place(spike));
            setRange(view, x - 1e-3, x + 1e-3);
            return { id: view.plot.id, count: s.values.length, standsFor: s.standsFor, highest: s.values[spike], shown, took, length: path.length, near: view.drawn[0].length }; }"""
    )
    check("a long trace is kept", trace["count"] > 400_000, trace)
    check("its spike too", abs(trace["highest"] - 7.0) < 1e-6 * 7.0, trace)
    check("the whole of it is drawn with its spike", trace["shown"], trace)
    check("by few points", trace["length"] < 200_000, trace)
    check("zoomed in, all points are there", 20 < trace["near"] < 1000, trace)
    # A generous limit on a shared machine; it takes some 20 ms.
    check("at once", trace["took"] < 2000, trace)
    page.close()


def main(executable, path, results, long_page=None):
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
        browser = playwright.chromium.launch(executable_path=executable, args=ARGUMENTS)
        page, errors, requests = opened(browser, path, viewport={"width": 1280, "height": 900})
        plots = page.evaluate("[...views.keys()]")
        check("there are plots", len(plots) >= 6, plots)
        check("each is drawn", page.locator("figure.plot svg .axis").count() == len(plots))
        found = numbers_are_those_of_the_file(page, results)
        keyboard_reads_and_zooms(page)
        pointer_reads_and_zooms(page)
        data_and_drawing_are_saved(page, found, folder)
        page_is_in_order(page)
        light = page.evaluate("getComputedStyle(document.body).backgroundColor")
        page.locator("#theme").click()
        dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
        check("the switch darkens", light == "rgb(255, 255, 255)" and dark != light, (light, dark))
        pdf = page.pdf(prefer_css_page_size=True)
        check("it prints", pdf.startswith(b"%PDF") and len(pdf) > 20_000, len(pdf))
        check("no complaint", errors == [], errors)
        own = [r for r in requests if not r.startswith(("file:", "data:", "blob:"))]
        check("nothing is asked of a network", own == [] and len([r for r in requests if r.startswith("file:")]) == 1, requests)
        page.close()
        for width in (1280, 390):
            for scheme in ("light", "dark"):
                page, errors, _ = opened(browser, path, viewport={"width": width, "height": 844}, color_scheme=scheme)
                wide = page.evaluate("document.documentElement.scrollWidth")
                check(f"{width} pixels are enough", wide <= width, wide)
                ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
                check(f"{scheme} is {scheme}", (ground == "rgb(255, 255, 255)") == (scheme == "light"), ground)
                text = page.evaluate("Math.min(...[...document.querySelectorAll('.frame text')].filter((t) => t.getBoundingClientRect().height > 0).map((t) => parseFloat(getComputedStyle(t).fontSize) * t.ownerSVGElement.getBoundingClientRect().width / t.ownerSVGElement.viewBox.baseVal.width))")
                check("letters of plots are not small", text >= 10, text)
                check("no complaint", errors == [], errors)
                page.close()
        # Without a script the plots are there as well.
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto("file://" + os.path.abspath(path))
        check("drawings need no script", page.locator("figure.plot svg .axis").count() == len(plots))
        context.close()
        if long_page:
            many_samples_are_honest(browser, long_page)
        browser.close()
    print(f"{passed} checks passed")


main(*sys.argv[1:])
