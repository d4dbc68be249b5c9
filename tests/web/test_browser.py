"""The pages in a real browser: main paths, keyboard, dark, phone, nothing foreign, nothing on the console, no
barrier."""

from __future__ import annotations

import shutil
from pathlib import Path

import axe_playwright_python
import pytest

from tests.folders import write_session
from tests.web.conftest import running

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
PAGES = (
    "/",
    "/speakers",
    "/speaker/alder-fen-sill-0",
    "/speaker/alder-fen-sill-0/f6_hz",
    "/settings/alder-fen-sill-0?wall=0.5",
    "/side-by-side?speaker=sill-0&speaker=sill-4",
    "/room",
    "/trade-offs",
    "/trends?metric=f6_hz&over=kind",
    "/dictionary",
    "/dictionary/f6_hz",
    "/method",
    "/method/statistics",
    "/questions",
    "/questions/sessions",
)


class Visit:
    """A page of one's own, with all that the browser says and asks for."""

    def __init__(self, browser, site, **context) -> None:
        self.context = browser.new_context(**{"viewport": WIDE, **context})
        self.page, self.site, self.said, self.asked = self.context.new_page(), site, [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))

    def go(self, path: str):
        self.page.goto(self.site.url + path)
        self.page.wait_for_load_state("networkidle")
        return self.page

    @property
    def foreign(self) -> list[str]:
        return [url for url in self.asked if not url.startswith((self.site.url + "/", "data:"))]

    def barriers(self) -> list[str]:
        """Serious and critical findings of axe-core."""
        self.page.evaluate(AXE)
        found = self.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        return [
            f"{v['id']}: {v['nodes'][0]['target']} {v['nodes'][0].get('failureSummary', '')}"
            for v in found["violations"]
            if v["impact"] in {"serious", "critical"}
        ]


@pytest.fixture
def visit(browser, site):
    opened = []

    def make(to=site, **context):
        opened.append(Visit(browser, to, **context))
        return opened[-1]

    yield make
    for one in opened:
        one.context.close()


@pytest.mark.parametrize("path", PAGES)
def test_no_page_says_anything_on_the_console_asks_another_host_or_puts_up_a_barrier(visit, path):
    """Nor does anything stick out sideways on a phone."""
    one = visit()
    page = one.go(path)
    assert one.barriers() == []
    page.set_viewport_size(PHONE)
    page.wait_for_load_state("networkidle")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert one.said == []
    assert one.foreign == []


@pytest.mark.parametrize("path", ["/", "/speaker/alder-fen-sill-0", "/room?distance=3&level=x", "/trade-offs"])
def test_dark_pages_are_dark_and_readable(visit, path):
    one = visit(color_scheme="dark")
    page = one.go(path)
    red, green, blue = page.evaluate(
        "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).slice(0, 3).map(Number)"
    )
    assert max(red, green, blue) < 60
    assert one.barriers() == []


def test_printed_pages_leave_out_what_cannot_be_used_on_paper(visit):
    page = visit().go("/speakers")
    page.emulate_media(media="print")
    assert not page.locator("form.ask").is_visible()
    assert not page.locator("nav[aria-label=Pages]").is_visible()
    assert page.locator("table").is_visible()


def test_without_scripts_the_questions_are_answered_all_the_same(visit):
    page = visit(java_script_enabled=False).go("/room")
    page.get_by_label("I sit m away").fill("2")
    page.get_by_role("button", name="What fits?").click()
    assert "distance=2" in page.url
    assert "peaks of 95 dB at 2 m" in page.locator("main").inner_text()
    page = visit(java_script_enabled=False).go("/trade-offs")
    assert page.locator("table").first.is_visible()
    page = visit(java_script_enabled=False).go("/speaker/alder-fen-sill-0")
    assert "Listening window" in page.locator("figure[data-chart=curves] table").inner_text()


def test_the_field_is_narrowed_sorted_and_shared_by_its_address(visit):
    page = visit().go("/speakers")
    page.locator("select[name=kind]").select_option("monitor")
    page.get_by_text("Columns (7)").click()
    page.get_by_label("Year", exact=True).check()
    page.get_by_role("button", name="Show these").click()
    page.get_by_role("link", name="Year").click()
    assert "kind=monitor" in page.url
    assert "sort=year" in page.url
    again = visit().go(page.url.removeprefix(page.url.split("/speakers?")[0]))
    names = again.locator("tbody th").all_inner_texts()
    assert names == ["Mossgarth Sill 1", "Alder Fen Sill 3", "Pennywort Sill 5", "Mossgarth Sill 7"]
    assert again.locator("th[aria-sort=ascending]").inner_text().startswith("Year")


def test_the_page_can_be_used_from_the_keyboard(visit):
    page = visit().go("/speakers")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the answer"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    page.get_by_label("Find a speaker").focus()
    page.keyboard.type("sill 4")
    page.keyboard.press("Enter")
    page.wait_for_url("**/speaker/mossgarth-sill-4")
    outline = page.evaluate(
        "(document.querySelector('nav a').focus(), getComputedStyle(document.activeElement).outlineStyle)"
    )
    assert outline != "none"


def test_picked_speakers_are_put_side_by_side(visit):
    page = visit().go("/speakers")
    page.get_by_label("Pick Alder Fen Sill 0").check()
    page.get_by_label("Pick Mossgarth Sill 4").check()
    page.get_by_role("button", name="Put the picked side by side").click()
    page.wait_for_url("**/side-by-side?**")
    assert page.locator(".chosen").count() == 2
    page.get_by_role("textbox", name="add a speaker").fill("pennywort sill 8")
    page.get_by_role("button", name="Add").click()
    assert page.locator(".chosen").count() == 3
    page.get_by_label("Take Mossgarth Sill 4 out").click()
    assert page.locator(".chosen").count() == 2
    assert "You would notice" in page.locator("main").inner_text()


def test_the_room_is_answered_while_one_types_and_late_replies_are_dropped(visit):
    one = visit()
    page = one.go("/room")
    held = []

    def answer(route):
        if "distance=9" in route.request.url:
            held.append(route)  # the reply to this question comes last
        else:
            route.continue_()

    page.route("**/room/answer?*", answer)
    seat = page.get_by_label("I sit m away")
    seat.fill("9")
    page.wait_for_timeout(400)
    seat.fill("2")
    page.get_by_text("peaks of 95 dB at 2 m").wait_for()
    for route in held:
        route.fulfill(status=200, content_type="text/html", body="<p class='answer'>too late</p>")
    page.wait_for_timeout(300)
    assert held
    assert "too late" not in page.locator("#answer").inner_text()
    assert "distance=2" in page.url
    asked = len([url for url in one.asked if "/room/answer" in url])
    seat.press_sequentially("345", delay=20)
    page.get_by_text("longest line").or_(page.get_by_text("farther than")).or_(
        page.get_by_text("outside its limits")
    ).first.wait_for()
    assert len([url for url in one.asked if "/room/answer" in url]) - asked <= 2, "a burst of keys asks once"
    assert seat.get_attribute("aria-invalid") == "true" or page.locator("#answer .notice").count() == 1


def test_a_form_error_is_tied_to_its_field(visit):
    page = visit().go("/room")
    page.get_by_label("I sit m away").fill("near")
    page.locator("#said-distance").wait_for()
    field = page.get_by_label("I sit m away")
    assert field.get_attribute("aria-invalid") == "true"
    assert page.locator(f"#{field.get_attribute('aria-describedby')}").inner_text().startswith("distance")
    field.fill("3")
    page.get_by_text("could not be judged").first.wait_for()
    assert field.get_attribute("aria-invalid") is None


def test_a_point_of_the_trade_off_tells_its_speaker_and_leads_there(visit):
    one = visit()
    page = one.go("/trade-offs?x=price&y=f6_hz")
    point = page.locator("figure[data-chart=tradeoff] .drawn svg [aria-label*='Alder Fen Sill 0']").first
    point.wait_for(state="attached")
    point.hover(force=True)
    tip = page.locator("#vg-tooltip-element")
    assert "Alder Fen Sill 0" in tip.inner_text()
    point.click(force=True)
    page.wait_for_url("**/speaker/alder-fen-sill-0")
    assert one.said == []


def test_an_answer_that_takes_a_while_appears_by_itself(visit, file):
    with running(file, patience_s=0.0) as slow:
        one = visit(slow)
        page = one.page
        page.goto(slow.url + "/trade-offs?x=price&y=f6_hz")
        page.get_by_text("Likely on the frontier").wait_for()
        page.locator("figure[data-chart=tradeoff] .drawn svg").first.wait_for(state="attached")
        assert page.title().startswith("LF extension")
        assert one.said == []


def test_reduced_motion_is_respected(visit):
    page = visit(reduced_motion="reduce").go("/room")
    assert page.locator("button").first.evaluate("b => getComputedStyle(b).transitionDuration") == "0s"


def test_a_good_and_a_broken_session_are_dropped_looked_at_and_stored(visit, taking, tmp_path):
    write_session(tmp_path / "up" / "good")
    write_session(tmp_path / "up" / "broken", kind="toaster", model="Sill 7")
    (tmp_path / "up" / "broken" / "responses.csv").write_text(
        "frequency_hz,orbit,angle_deg,level_db\n20,sideways,0,x\n"
    )
    one = visit(taking)
    page = one.go(f"/in?key={taking.app.state.site.key}")
    assert one.barriers() == []
    page.get_by_label("A folder").set_input_files(tmp_path / "up")
    page.get_by_role("button", name="Look at it").click()
    page.get_by_text("2 sessions: 1 can be stored, 1 can’t").wait_for()
    words = page.locator("main").inner_text()
    for part in ("toaster", "sideways", "responses.csv", "session.toml", "Alder Fen Sill 5"):
        assert part in words, part
    page.get_by_text("Its values").click()
    assert "LF extension (−6 dB)" in page.locator(".looked.new").inner_text()
    assert one.barriers() == []
    page.get_by_role("button", name="Store 1").click()
    page.wait_for_url("**/in/store")
    assert "1 stored, 1 refused" in page.locator("main").inner_text()
    page.get_by_role("link", name="alder fen sill 5").or_(
        page.get_by_role("link", name="Alder Fen Sill 5")
    ).first.click()
    assert page.get_by_role("heading", name="Alder Fen Sill 5").is_visible()
    assert one.said == []


def test_a_zip_is_taken_as_well_and_what_is_no_session_is_told_so(visit, taking, tmp_path):
    write_session(tmp_path / "up" / "good")
    zipped = shutil.make_archive(str(tmp_path / "all"), "zip", tmp_path / "up")
    page = visit(taking).go(f"/in?key={taking.app.state.site.key}")
    page.get_by_role("button", name="Look at it").click()
    page.get_by_text("Choose a folder or a zip first").wait_for()
    page.get_by_label("or a zip").set_input_files(zipped)
    page.get_by_role("button", name="Look at it").click()
    page.get_by_role("button", name="Store 1").wait_for()
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "notes.txt").write_text("nothing here")
    page = visit(taking).go(f"/in?key={taking.app.state.site.key}")
    page.get_by_label("A folder").set_input_files(tmp_path / "empty")
    page.get_by_role("button", name="Look at it").click()
    page.get_by_text("No session in the upload").wait_for()


def test_the_published_field_is_sorted_by_its_headings(visit, file, tmp_path, monkeypatch):
    from itertools import islice

    from speakerdb.web import publishing

    plan = publishing.plan
    monkeypatch.setattr(publishing, "plan", lambda desk: islice(plan(desk), 3))
    monkeypatch.setattr(publishing, "_draw_all", lambda *_: None)
    publishing.publish(file, tmp_path / "site")
    one = visit()
    one.page.goto((tmp_path / "site" / "speakers.html").as_uri())
    one.page.get_by_role("button", name="LF extension (−6 dB)").click()
    first = one.page.locator("tbody th").first.inner_text()
    one.page.get_by_role("button", name="LF extension (−6 dB)").click()
    last = one.page.locator("tbody th").first.inner_text()
    assert (first, last) == ("Alder Fen Sill 0", "Pennywort Sill 8")
