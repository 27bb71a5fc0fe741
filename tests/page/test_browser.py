"""The page in a real browser: views, sliders, keyboard, names for screen readers, widths, light and dark, no outside request."""

import contextlib
import os
import shutil
from pathlib import Path

import pytest

sync_api = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no browser installed"),
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"),
]
VIEWS = ["/", "/beam", "/coupons", "/recipe", "/sheet", "/log", "/settings", "/stack", "/window", "/lessons", "/lessons/stack", "/practice"]
VIEWS += ["/recipe/needs/form", "/recipe/machine/form", "/map", "/map?paths=invented&layer=15"]
ERRORS = ["/settings?power=x", "/stack?layers=0", "/coupons?table=x", "/window?kind=none", "/recipe?power=1", "/practice?answer=x"]
ERRORS += ["/nothing", "/map?paths=invented&layer=99", "/map?paths=invented&across=x"]
DEMO = Path(__file__).resolve().parents[2] / "demo"
# the axe-core script, where one is: named by CURECALC_AXE, or of a package installed in the folder the tests run in
_AXE = (Path(os.environ.get("CURECALC_AXE", "none")), Path.cwd() / "node_modules" / "axe-core" / "axe.min.js")
AXE = next((path for path in _AXE if path.is_file()), None)

# What a checker of accessibility asks first, in plain terms.
PROBLEMS = """() => {
  const bad = [];
  const labels = e => e.labels ? [...e.labels].map(l => l.textContent).join(' ') : '';
  const named = e => (e.getAttribute('aria-label') || labels(e) || e.alt || e.textContent || e.value || '').trim();
  const controls = 'input:not([type=hidden]), select, textarea, button, a[href], [role=img], img';
  document.querySelectorAll(controls).forEach(e => { if (!named(e)) bad.push('no name: ' + e.outerHTML.slice(0, 80)); });
  const ids = {};
  document.querySelectorAll('[id]').forEach(e => { if (ids[e.id]) bad.push('id twice: ' + e.id); ids[e.id] = 1; });
  for (const name of ['aria-describedby', 'aria-labelledby']) {
    document.querySelectorAll('[' + name + ']').forEach(e => {
      for (const id of e.getAttribute(name).split(' ')) if (!ids[id]) bad.push('points nowhere: ' + id);
    });
  }
  let level = 0;
  document.querySelectorAll('h1,h2,h3,h4').forEach(h => {
    if (+h.tagName[1] > level + 1) bad.push('heading jumps: ' + h.textContent);
    level = +h.tagName[1];
  });
  if (document.querySelectorAll('h1').length !== 1) bad.push('not one h1');
  if (!document.documentElement.lang) bad.push('no language');
  for (const tag of ['main', 'header', 'footer', 'nav']) if (!document.querySelector(tag)) bad.push('no ' + tag);
  document.querySelectorAll('table').forEach(t => { if (!t.querySelector('th')) bad.push('table without headers'); });
  const parts = c => c.match(/[0-9.]+/g).map(Number);
  const light = c => {
    const [r, g, b] = parts(c).map(v => v / 255).map(v => v <= 0.03928 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const behind = e => {
    for (; e; e = e.parentElement) {
      const c = getComputedStyle(e).backgroundColor;
      if (parts(c).length === 3 || parts(c)[3] > 0) return c;
    }
    return 'rgb(255, 255, 255)';
  };
  const ratio = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const texts = 'p, a, th, td, label, legend, h1, h2, h3, button, input[type=text], select, textarea, code, figcaption, caption, li';
  document.querySelectorAll(texts).forEach(e => {
    if (!(e.textContent.trim() || e.value) || !e.getClientRects().length) return;
    const got = ratio(getComputedStyle(e).color, behind(e));
    if (got < 4.5) bad.push('contrast ' + got.toFixed(2) + ': ' + e.textContent.slice(0, 40));
  });
  document.querySelectorAll('figure svg').forEach(s => s.querySelectorAll('text').forEach(t => {
    const got = ratio(getComputedStyle(t).fill, behind(s.parentElement));
    if (got < 3) bad.push('figure contrast ' + got.toFixed(2) + ': ' + t.textContent);
  }));
  return bad;
}"""


@pytest.fixture(scope="module")
def page_address(tmp_path_factory, parts):
    """A page with everything on it: the shop's three files, a logbook that may be written."""
    from curecalc.logbook.book import Logbook
    from curecalc.page import PageOptions
    from curecalc.page.server import start
    from curecalc.units import Quantity

    log = str(tmp_path_factory.mktemp("log") / "shop.db")
    with Logbook(log, create=True) as book:
        book.add("machine", {}, machine="bay 2")
        for k in range(12):
            book.add("power", {"power": Quantity(240.0 - k, "mW")}, machine="bay 2", time=f"2026-10-{k + 1:02d} 08:00")
    running = start(PageOptions(parts=parts, log=log, write=True, burst=1e9, per_second=1e9), port=0)
    thread = running.run_in_background()
    yield running.url.rstrip("/")
    running.stop()
    thread.join(10)


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture
def tab(browser, page_address):
    """A tab that notes every request, console message and error."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, base_url=page_address)
    page = context.new_page()
    page.asked, page.said = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.said.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: page.said.append(str(error)))
    yield page
    outside = [url for url in page.asked if not url.startswith(page_address + "/") and not url.startswith("data:")]
    said = list(page.said)
    context.close()
    assert not outside, "a request left the machine"
    assert not said, "the browser complained"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("view", VIEWS + ERRORS)
def test_views_load_and_are_accessible(tab, view, scheme):
    tab.emulate_media(color_scheme=scheme)
    tab.goto(view)
    assert tab.evaluate(PROBLEMS) == []
    if AXE is not None:
        tab.evaluate(AXE.read_text(encoding="utf-8"))
        found = tab.evaluate("() => axe.run(document)")["violations"]
        assert not [(v["id"], v["nodes"][0]["html"][:120], v["nodes"][0]["failureSummary"][:200]) for v in found]
    if "/nothing" in view:
        tab.said.clear()  # the browser notes the answer 404 itself


@pytest.mark.parametrize("width", [320, 400, 600, 800, 1024, 1280, 1600, 1920])
def test_no_sideways_scrolling(tab, width):
    tab.set_viewport_size({"width": width, "height": 1280 if width <= 800 else 800})
    for view in VIEWS:
        tab.goto(view)
        assert tab.evaluate("() => document.documentElement.scrollWidth") <= width, view


def settled(tab):
    """Wait until what is shown is of the settings shown."""
    tab.wait_for_function("() => (document.body.dataset.state || '') === '' && !document.querySelector('[aria-busy]')")


@pytest.mark.parametrize("view", ["/settings", "/stack"])
def test_each_slider_redraws_and_the_address_follows(tab, view):
    tab.goto(view)
    sliders = tab.locator("input.slide")
    for k in range(sliders.count()):
        slider = sliders.nth(k)
        name = slider.get_attribute("data-for").removeprefix("f-")
        if name == "overcure":
            old = tab.locator(".solved strong").text_content()
        else:
            old = tab.locator("#result").inner_html()
        slider.focus()
        for _ in range(1 if name == "passes" else 12):
            tab.keyboard.press("ArrowRight")
        settled(tab)
        new = tab.locator(".solved strong").text_content() if name == "overcure" else tab.locator("#result").inner_html()
        assert new != old, name
        assert slider.get_attribute("aria-valuetext") == tab.locator(f"#f-{name}").input_value()
        assert f"{name}=" in tab.url
    address = tab.url
    shown = tab.locator(".main").text_content()
    tab.goto(address)
    assert tab.locator(".main").text_content() == shown, "the address is a bookmark"


def test_typing_other_units_moves_the_slider_and_errors_wait_until_it_is_finished(tab):
    tab.goto("/settings")
    field, slider = tab.locator("#f-power"), tab.locator('[data-for="f-power"]')
    before = slider.input_value()
    field.fill("0.2 W")
    assert int(slider.input_value()) != int(before)
    settled(tab)
    assert "0.2 W" in tab.locator("pre").first.text_content()
    top = tab.locator("#answers").bounding_box()["y"]
    field.focus()
    tab.keyboard.press("End")
    for key in ["Backspace", "Backspace", *"Q"]:
        tab.keyboard.press(key)
        tab.wait_for_timeout(350)
        assert tab.locator("#problems").count() == 0, "no alarm while typing"
        assert tab.locator("#answers").bounding_box()["y"] == top, "the answer stays where it is"
    tab.wait_for_function("() => document.body.dataset.state === 'waiting'")
    tab.keyboard.press("Tab")
    tab.wait_for_selector("#problems")
    assert field.get_attribute("aria-invalid") == "true"
    assert tab.locator("#" + field.get_attribute("aria-describedby")).is_visible()
    field.fill("190 mW")
    tab.wait_for_selector(".pictures")
    settled(tab)
    assert field.get_attribute("aria-invalid") is None


def test_keyboard_alone_reaches_everything(tab):
    tab.goto("/settings")
    tab.keyboard.press("Tab")
    assert tab.evaluate("() => document.activeElement.className") == "skip"
    seen = []
    for _ in range(110):
        tab.keyboard.press("Tab")
        here = tab.evaluate(
            "() => { const e = document.activeElement;"
            " const name = e.id || e.name || e.textContent.trim().slice(0, 30);"
            " return [e.tagName, name, getComputedStyle(e).outlineStyle]; }"
        )
        if here[0] == "BODY":
            break
        seen.append(here)
    reached = {name for _, name, _ in seen}
    for name in (
        "f-power",
        "f-spot",
        "f-spot_as",
        "f-scan_speed",
        "f-hatch_spacing",
        "f-passes",
        "f-layer_thickness",
        "Redraw",
        "Use this speed",
    ):
        assert name in reached, name
    assert all(outline != "none" for _, _, outline in seen), "focus is visible everywhere"


def test_a_coupon_is_left_out_and_comes_back(tab):
    tab.goto("/coupons")
    line = tab.locator(".main").text_content()
    tab.locator("#x-3").check()
    tab.wait_for_function("old => document.querySelector('.main').textContent !== old", arg=line)
    assert "exclude=3" in tab.url
    settled(tab)
    tab.locator("#x-3").uncheck()
    tab.wait_for_function("old => document.querySelector('.main').textContent === old", arg=line)
    table = tab.locator("#f-table")
    table.fill(table.input_value().replace("0.0", "0.1", 1))
    tab.wait_for_function("old => document.querySelector('.main').textContent !== old", arg=line)


def test_a_table_is_uploaded(tab):
    tab.goto("/coupons")
    tab.set_input_files("#f-file", str(DEMO / "coupons_lot_6.csv"))
    tab.get_by_role("button", name="Read it").click()
    tab.wait_for_url("**/coupons?table=*")
    assert tab.locator(".main").is_visible()


def test_window_axes_change(tab):
    tab.goto("/window")
    old = tab.locator("#result").inner_html()
    tab.select_option("#f-across", "power")
    tab.wait_for_function("old => document.querySelector('#result').innerHTML !== old", arg=old)
    assert "across=power" in tab.url


def test_an_entry_is_written_where_allowed(tab):
    tab.goto("/log")
    tab.fill("#f-machine", "bay 2")
    tab.fill("#f-power", "2290 mW")
    tab.get_by_role("button", name="Write it").click()
    tab.wait_for_selector(".right")
    assert "is written" in tab.locator(".right").text_content()
    assert "10 times the last reading" in tab.locator(".note", has_text="Check:").text_content()
    number = tab.locator(".right").text_content().split()[1]
    tab.get_by_role("link", name=f"Correct entry {number}").click()
    tab.fill("#f-power", "229 mW +- 2 %")
    tab.get_by_role("button", name="Write the correction").click()
    tab.wait_for_selector(".right")
    assert f"corrects {number}" in tab.locator(".right").text_content()


def test_practice_is_solved_by_hand(tab):
    from curecalc.lessons import invented_bench
    from curecalc.lessons.exercises import exercises

    one = exercises(seed=1, number=12, bench=invented_bench())[0]
    tab.goto("/practice")
    tab.fill("#f-answer", one.told())
    tab.keyboard.press("Enter")
    tab.wait_for_selector(".right")


def test_works_without_scripts(browser, page_address):
    context = browser.new_context(java_script_enabled=False, base_url=page_address)
    page = context.new_page()
    page.goto("/settings")
    page.fill("#f-power", "400 mW")
    page.get_by_role("button", name="Redraw").click()
    assert "power=400+mW" in page.url
    assert page.locator(".pictures svg").count() == 3
    context.close()


def test_print_is_dark_on_white(tab):
    tab.emulate_media(color_scheme="dark")
    tab.goto("/settings")
    tab.emulate_media(media="print", color_scheme="dark")
    for place in ("body", ".main .value", "#result td"):
        assert tab.evaluate("place => getComputedStyle(document.querySelector(place)).color", place) == "rgb(0, 0, 0)", place
    colours = tab.evaluate(
        "() => [...document.querySelectorAll('figure svg path')].map(p => getComputedStyle(p).stroke).filter(c => c.startsWith('rgb('))"
    )
    import re

    for colour in set(colours):
        r, g, b = (int(v) for v in re.findall(r"\d+", colour)[:3])
        assert max(r, g, b) - min(r, g, b) <= 8, f"{colour} is no grey"


def test_every_figure_follows_the_dark_and_the_map_keeps_its_tones(tab):
    """Ground and words of a figure are the page's; the bands of a map grade from light to dark and stay as they are saved."""
    tab.emulate_media(color_scheme="dark")
    tab.goto("/recipe")
    for step in ("/work/invented", "/coupons/use"):
        tab.evaluate("step => fetch(step, {method: 'POST'})", step)
    looks = """() => [...document.querySelectorAll('figure svg')].map(svg => [
      getComputedStyle(svg.querySelector('path')).fill, ...[...svg.querySelectorAll('text')].map(t => getComputedStyle(t).fill)])"""
    for view in ("/settings", "/stack", "/coupons", "/recipe", "/window", "/map?paths=invented&layer=15"):
        tab.goto(view)
        figures = tab.evaluate(looks)
        assert figures, view
        for ground, *words in figures:
            assert ground == "rgb(27, 32, 36)", view
            assert "rgb(233, 236, 238)" in words, view
            assert "rgb(29, 35, 39)" not in words, view
    fills = tab.evaluate("() => [...document.querySelectorAll('figure svg path')].map(p => getComputedStyle(p).fill)")
    assert "rgb(255, 255, 255)" in fills  # "white where nothing cures", as the view says


def test_the_picture_of_a_beam_is_seen_in_its_figure(tab):
    """The picture stands within the figure, as data: it is loaded, and looks as the beam does, brightest where its axes cross."""
    tab.goto("/beam")
    tab.set_input_files("#f-file", str(DEMO / "beam_image.png"))
    tab.locator("#f-pixel_size").evaluate("e => { e.closest('details').open = true; }")
    tab.fill("#f-pixel_size", "5 um")
    tab.get_by_role("button", name="Read it").click()
    tab.wait_for_selector("figure svg image")
    shades = tab.evaluate("""async () => {
      const shown = new Image(); shown.src = document.querySelector('figure svg image').getAttribute('href'); await shown.decode();
      const canvas = new OffscreenCanvas(shown.width, shown.height), ink = canvas.getContext('2d'); ink.drawImage(shown, 0, 0);
      const all = ink.getImageData(0, 0, shown.width, shown.height).data;
      const of = (x, y) => { const k = 4 * (Math.floor(y) * shown.width + Math.floor(x)); return all[k] + all[k + 1] + all[k + 2]; };
      return [of(shown.width / 2, shown.height / 2), of(2, 2)];
    }""")
    assert abs(shades[0] - shades[1]) > 200


def test_when_the_program_is_gone_no_number_stays_unmarked(browser):
    from curecalc.page import PageOptions
    from curecalc.page.server import start

    running = start(PageOptions(burst=1e9, per_second=1e9), port=0)
    thread = running.run_in_background()
    tab = browser.new_page()
    tab.goto(running.url + "settings")
    shown = tab.locator(".main").text_content()
    running.stop()
    thread.join(10)
    tab.fill("#f-scan_speed", "3000 mm/s")
    tab.wait_for_function("() => document.body.dataset.state === 'stale'")
    assert "not of the settings shown" in tab.locator("#state").text_content()
    assert tab.locator("#result").get_attribute("aria-busy") == "true"
    again = start(PageOptions(burst=1e9, per_second=1e9), port=running.port)
    thread = again.run_in_background()
    settled(tab)
    assert tab.locator(".main").text_content() != shown, "asked again, and answered"
    tab.close()
    again.stop()
    thread.join(10)


def test_answers_that_come_late_or_out_of_order_are_not_shown(tab):
    """The first answer is held back until long after the second was asked."""
    tab.goto("/settings")
    held = []

    def hold(route):
        if "2000+mm" in route.request.url and not held:
            held.append(route)
        else:
            route.continue_()

    tab.route("**/settings?*", hold)
    tab.fill("#f-scan_speed", "2000 mm/s")
    tab.wait_for_timeout(450)
    assert held
    assert tab.locator("#result").get_attribute("aria-busy") == "true"
    tab.wait_for_timeout(450)
    tab.fill("#f-scan_speed", "5500 mm/s")
    settled(tab)
    assert "5500 mm/s" in tab.locator("pre").first.text_content()
    right = tab.locator(".main").text_content()
    for route in held:
        with contextlib.suppress(sync_api.Error):
            route.continue_()
    tab.wait_for_timeout(500)
    assert tab.locator(".main").text_content() == right


def test_undo_goes_a_step_back_and_a_kept_setting_stands_beside(tab):
    tab.goto("/settings")
    first = tab.locator(".main").text_content()
    tab.fill("#f-scan_speed", "3000 mm/s")
    tab.keyboard.press("Tab")
    settled(tab)
    assert tab.locator(".main").text_content() != first
    tab.get_by_role("link", name="Keep this beside").click()
    tab.fill("#f-scan_speed", "4500 mm/s")
    tab.keyboard.press("Tab")
    settled(tab)
    assert tab.get_by_role("table", name="This setting and the one kept").is_visible()
    tab.get_by_role("button", name="Undo").click()
    tab.wait_for_function("() => document.querySelector('#f-scan_speed').value === '3000 mm/s'")


def test_the_value_under_the_pointer_is_read_from_the_curve(tab):
    tab.goto("/settings")
    drawing = tab.locator("figure svg").first
    box = drawing.bounding_box()
    tab.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    said = tab.locator(".under").first.text_content()
    assert "exposure" in said
    assert "cure depth" in said


def _window(tab):
    """x and y ranges the map's axes show."""
    return tab.evaluate(
        "() => { const a = JSON.parse(document.querySelector('svg[data-scale]').dataset.scale)[0];"
        " return [a.x.from, a.x.to, a.y.from, a.y.to]; }"
    )


def test_the_map_moves_by_buttons_keys_wheel_and_dragging_and_its_slider_redraws(tab):
    tab.goto("/map?paths=invented&layer=15")
    start = _window(tab)
    wide = start[1] - start[0]
    tab.get_by_role("link", name="Closer").click()
    settled(tab)
    closer = _window(tab)
    assert closer[1] - closer[0] == pytest.approx(wide / 1.5, rel=1e-3)
    assert "across=" in tab.url
    tab.locator(".drawing").focus()
    tab.keyboard.press("ArrowRight")
    settled(tab)
    right = _window(tab)
    assert right[0] - closer[0] == pytest.approx(0.25 * (closer[1] - closer[0]), rel=1e-2)
    assert tab.evaluate("() => document.activeElement.className") == "drawing"
    tab.keyboard.press("-")
    settled(tab)
    farther = _window(tab)
    assert farther[1] - farther[0] == pytest.approx(wide, rel=1e-3)
    box = tab.locator(".drawing svg").bounding_box()
    at = box["x"] + 0.4 * box["width"], box["y"] + 0.5 * box["height"]
    tab.mouse.move(*at)
    assert "mm apart" in tab.locator(".under").text_content()
    tab.mouse.down()
    tab.mouse.move(at[0] - 60, at[1] + 30, steps=3)
    tab.mouse.up()
    settled(tab)
    dragged = _window(tab)
    assert dragged[0] > farther[0]
    assert dragged[2] > farther[2]
    tab.mouse.wheel(0, -100)
    settled(tab)
    assert _window(tab)[1] - _window(tab)[0] == pytest.approx(0.8 * wide, rel=1e-2)
    tab.get_by_role("link", name="Whole layer").click()
    settled(tab)
    assert _window(tab) == pytest.approx(start)
    shown = tab.locator(".main").text_content()
    slider = tab.locator("input.slide")
    slider.focus()
    for _ in range(20):
        tab.keyboard.press("ArrowRight")
    settled(tab)
    assert tab.locator(".main").text_content() != shown
    factor = tab.locator("#f-speed_factor").input_value()
    assert float(factor) > 1.0
    assert f"--speed-factor {float(factor)!r}" in tab.locator("pre").text_content()


def test_the_map_works_without_scripts(browser, page_address):
    context = browser.new_context(java_script_enabled=False, base_url=page_address)
    page = context.new_page()
    page.goto("/map")
    page.get_by_role("link", name="try it with the invented bracket").click()
    page.get_by_role("link", name="Closer").click()
    page.fill("#f-speed_factor", "1.5")
    page.get_by_role("button", name="Redraw").click()
    assert "speed_factor=1.5" in page.url
    assert "across=" in page.url
    assert page.locator(".drawing svg").count() == 1
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_code_page_failed_uploads_and_the_stale_state_are_accessible(browser, scheme):
    from curecalc.page import PageOptions
    from curecalc.page.guard import AccessCodes
    from curecalc.page.server import start

    def check(tab):
        assert tab.evaluate(PROBLEMS) == []
        if AXE is not None:
            tab.evaluate(AXE.read_text(encoding="utf-8"))
            found = tab.evaluate("() => axe.run(document)")["violations"]
            assert not [(v["id"], v["nodes"][0]["html"][:120], v["nodes"][0]["failureSummary"][:200]) for v in found]

    told = []
    codes = AccessCodes(lambda person, code: told.append(code))
    running = start(PageOptions(codes=codes, burst=1e9, per_second=1e9), port=0)
    thread = running.run_in_background()
    context = browser.new_context(base_url=running.url, color_scheme=scheme)
    tab = context.new_page()
    tab.goto("/settings")
    check(tab)
    tab.fill("#f-code", "wrong")
    tab.get_by_role("button", name="Enter").click()
    tab.wait_for_selector("[role=alert]")
    check(tab)
    tab.fill("#f-code", told[-1])
    tab.get_by_role("button", name="Enter").click()
    tab.wait_for_url("**/settings*")
    for place, field in (("/beam", "#f-file"), ("/coupons", "#f-file"), ("/map", "#f-file"), ("/recipe", "#f-machine")):
        tab.goto(place)
        broken = {"name": "broken.csv", "mimeType": "text/csv", "buffer": b"x,y\n1,2\n"}
        tab.set_input_files(field, broken)
        tab.locator(field).evaluate("f => f.form.requestSubmit()")
        tab.wait_for_selector("[role=alert]")
        check(tab)
    tab.goto("/settings")
    running.stop()
    thread.join(10)
    tab.fill("#f-scan_speed", "3000 mm/s")
    tab.wait_for_function("() => document.body.dataset.state === 'stale'")
    tab.wait_for_timeout(400)  # past the change of tones
    check(tab)
    context.close()


def _press(tab, name):
    """Reach a control by the keyboard alone and press it."""
    for _ in range(200):
        tab.keyboard.press("Tab")
        here = tab.evaluate("() => (document.activeElement.getAttribute('aria-label') || document.activeElement.textContent).trim()")
        if here.startswith(name):
            tab.keyboard.press("Enter")
            return
    raise AssertionError(f"the keyboard does not reach {name!r}")


@pytest.mark.parametrize("how", ["mouse", "keyboard", "tablet"])
def test_the_whole_way_from_an_empty_start(browser, tmp_path, how):
    """Beam file, coupon table, lot, recipe, sheet, an entry and its correction."""
    from curecalc.page import PageOptions
    from curecalc.page.server import start

    running = start(PageOptions(log=str(tmp_path / "new.db"), write=True, burst=1e9, per_second=1e9), port=0)
    thread = running.run_in_background()
    size = {"width": 800, "height": 1280} if how == "tablet" else {"width": 1280, "height": 800}
    context = browser.new_context(viewport=size, base_url=running.url, has_touch=how == "tablet", accept_downloads=True)
    tab = context.new_page()

    def press(name, role="button"):
        if how == "keyboard":
            _press(tab, name)
        elif how == "tablet":
            tab.get_by_role(role, name=name).first.tap()
        else:
            tab.get_by_role(role, name=name).first.click()

    tab.goto("/recipe")
    for part in ("machine", "needs"):
        tab.locator(f"section[aria-labelledby=part-{part}] details").evaluate("d => { d.open = true; }")
        tab.set_input_files(f"#f-{part}", str(DEMO / f"{part}.toml"))
        tab.locator(f"#f-{part}").focus()
        press("Read it") if part == "machine" or how == "keyboard" else tab.locator("#f-needs ~ .go button").click()
        tab.wait_for_selector(f"a[href='/files/{part}.toml']")
    tab.goto("/beam")
    tab.set_input_files("#f-file", str(DEMO / "beam_knife_edge.csv"))
    press("Read it")
    tab.wait_for_selector("figure svg")
    press("Put it into the machine")
    tab.wait_for_url("**/recipe")
    tab.goto("/coupons")
    tab.set_input_files("#f-file", str(DEMO / "coupons_lot_7_read_again.csv"))
    press("Read it")
    tab.wait_for_url("**/coupons?table=*")
    press("Use it for settings and recipe")
    tab.wait_for_url("**/recipe")
    press("To the sheet", "link")
    tab.wait_for_url("**/sheet")
    with tab.expect_download() as fetched:
        press("Sheet (PDF)", "link")
    assert Path(fetched.value.path()).read_bytes().startswith(b"%PDF")
    tab.goto("/log?kind=machine")
    tab.fill("#f-machine", "invented machine, bay 2")
    press("Write it")
    tab.wait_for_selector(".right")
    tab.goto("/recipe")
    press("Keep it in the logbook")
    tab.wait_for_selector(".right")
    tab.goto("/log?kind=power")
    tab.fill("#f-power", "2400 mW")
    tab.fill("#f-machine", "invented machine, bay 2")
    press("Write it")
    tab.wait_for_selector(".right")
    number = tab.locator(".right").text_content().split()[1]
    press(f"Correct entry {number}", "link")
    tab.wait_for_url("**/log?corrects=*")
    tab.fill("#f-power", "240 mW")
    press("Write the correction")
    tab.wait_for_selector(".right")
    assert f"corrects {number}" in tab.locator(".right").text_content()
    context.close()
    running.stop()
    thread.join(10)
