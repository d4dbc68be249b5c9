"""What the pages say."""

from __future__ import annotations

import re

import pytest

from tests.web.conftest import SPEAKERS, running

PAGES = (
    "/",
    "/speakers",
    "/speakers?column=price&column=f6_hz&sort=f6_hz",
    "/speaker/alder-fen-sill-0",
    "/speaker/alder-fen-sill-0?setting=desk",
    "/speaker/alder-fen-sill-0/f6_hz",
    "/settings/alder-fen-sill-0",
    "/settings/alder-fen-sill-0?wall=0.5",
    "/side-by-side",
    "/side-by-side?speaker=sill-0&speaker=sill-1",
    "/side-by-side?speaker=sill-0&speaker=sill-1&speaker=sill-2",
    "/room",
    "/room?distance=2&volume=40&level=80&wall=0.6",
    "/trade-offs",
    "/trade-offs?x=volume_l&y=f6_hz",
    "/trends",
    "/trends?metric=f6_hz&over=kind",
    "/dictionary",
    "/dictionary/f6_hz",
    "/dictionary/f6_hz?target=absolute&jointly=yes",
    "/dictionary/preference?target=another_unit&kind=monitor",
    "/dictionary/reference_level_db",
    "/method",
    "/method/statistics",
    "/questions",
    "/questions/sessions",
)


@pytest.mark.parametrize("path", PAGES)
def test_every_page_answers_and_every_link_on_it_leads_somewhere(site, path):
    page = site.get(path)
    assert page.status_code == 200
    assert page.headers["content-type"].startswith("text/html")
    links = {re.sub("&amp;", "&", at) for at in re.findall(r'(?:href|src|srcset)="(/[^"]*)"', page.text)}
    inner = sorted(at for at in links if not at.startswith("/drawn/"))[:25]
    assert [at for at in inner if site.get(at, follow_redirects=True).status_code != 200] == []


def rows(site, path):
    """Names in the order of the table's rows."""
    return re.findall(r'<th scope="row" class="name">\s*<a [^>]*>([^<]*)</a>', site.get(path).text)


def test_the_field_is_sorted_filtered_and_paged_by_its_address(site):
    by_bass = rows(site, "/speakers?sort=f6_hz")
    assert len(by_bass) == SPEAKERS
    assert by_bass[0].endswith("Sill 0"), "the one whose high-pass was set lowest goes lowest"
    assert rows(site, "/speakers?sort=f6_hz&descending=yes") == by_bass[::-1]
    assert rows(site, "/speakers?sort=f6_hz&kind=monitor") == [n for n in by_bass if int(n[-1]) % 2]
    assert rows(site, "/speakers?named=mossgarth 4") == ["Mossgarth Sill 4"]
    assert rows(site, "/speakers?price_max=600&sort=price") == [
        "Alder Fen Sill 0",
        "Mossgarth Sill 1",
        "Pennywort Sill 2",
    ]
    assert rows(site, "/speakers?page=2") == []


def test_a_value_stands_with_its_interval(site):
    cell = r'<span class="figure">[\d.]+</span><small class="interval">[\d.]+ to [\d.]+</small>'
    assert re.search(cell, site.get("/speakers?column=f6_hz").text)
    assert re.search(cell, site.get("/dictionary/f6_hz").text)


def widths(page):
    """Widths of the intervals in the order of the table's rows."""
    ends = re.findall(r'<small class="interval">([\d.]+) to ([\d.]+)</small>', page.text)
    return [round(float(high) - float(low), 1) for low, high in ends]


def test_a_ranking_is_of_the_statement_that_was_chosen(site):
    own, bench, unit = (
        widths(site.get(f"/dictionary/f6_hz?target={target}")) for target in ("as_measured", "absolute", "another_unit")
    )
    assert len(own) == SPEAKERS
    assert all(a < b < c for a, b, c in zip(own, bench, unit, strict=True)), (own, bench, unit)
    assert "is not one of as_measured, absolute, another_unit" in site.text(
        "/dictionary/f6_hz?target=model", status=400
    )


def test_a_ranking_says_what_it_can_say_once_and_without_the_words_of_the_command_line(site):
    words = site.text("/dictionary/preference")
    assert words.count("Over a whole list 95 of 100 such ranges hold the true place on this bench") == 1
    assert words.count("One point is what one would hear") == 1
    assert "--" not in words


def test_of_metrics_in_which_ratios_count_a_ratio_matters(site):
    assert "a difference matters from a ratio of 1.12." in site.text("/dictionary/f6_hz")
    assert "a difference matters from 0.5 dB." in site.text("/dictionary/flatness_window_db")


def test_places_of_all_together_stand_beside_each_place(site):
    alone, jointly = site.text("/dictionary/f6_hz"), site.text("/dictionary/f6_hz?jointly=yes")
    assert "All together" in jointly
    assert "All together" not in alone
    page = site.get("/dictionary/f6_hz?jointly=yes").text
    assert 'name="jointly" value="yes" checked' in page


def test_what_is_withheld_points_to_its_reason(site):
    words = site.text("/speakers?column=max_level_db")
    assert "– a" in words
    assert "a withheld: no compression measured" in words


def test_a_limit_that_cannot_be_read_is_told_beside_its_field(site):
    words = site.text("/speakers?price_max=lots&year_min=1", status=400)
    assert "“lots” is not a number" in words
    assert "1 is outside its limits; expected at least 1800 and at most 2200" in words
    page = site.get("/speakers?price_max=lots").text
    assert 'name="price_max" value="lots"' in page
    assert 'aria-invalid="true" aria-describedby="problem-price_max"' in page


def test_speakers_with_unknown_facts_are_listed_as_not_judged(site):
    words = site.text("/speakers?year_max=2030&column=f6_hz")
    assert f"{SPEAKERS} speakers" in words


@pytest.mark.parametrize(
    ("words", "lands"),
    [
        ("sill 4", "/speaker/mossgarth-sill-4"),
        ("alder-fen-sill-0", "/speaker/alder-fen-sill-0"),
        ("sill", "/speakers?named=sill"),
        ("", "/speakers"),
    ],
)
def test_the_find_box_goes_to_the_speaker_or_to_those_that_fit(site, words, lands):
    assert site.get("/find", params={"named": words}).headers["location"] == lands


def test_one_speaker_tells_facts_values_relatives_and_sessions(site):
    words = site.text("/speaker/mossgarth-sill-4")
    for part in (
        "standmount",
        "14.0 kg",
        "2014",
        "900 EUR",
        "Tonal balance",
        "To settle",
        "LF extension (−6 dB)",
        "Not judged, and why",
        "Measures like",
        "0017",
    ):
        assert part in words, part


def test_an_unknown_speaker_is_answered_with_the_nearest_names(site):
    assert "the nearest names are" in site.text("/speaker/mossgart-sil-4", status=404)
    assert "fits 9 speakers" in site.text("/speaker/sill", status=404)


def test_a_value_is_followed_to_the_file_it_came_from(site):
    words = site.text("/speaker/mossgarth-sill-4/f6_hz")
    assert "falls 6 dB below its mean" in words
    assert "responses.csv" in words
    assert re.search(r"[0-9a-f]{64}", words)


def test_speakers_side_by_side_are_compared_with_what_the_data_can_carry(site):
    words = site.text("/side-by-side?speaker=sill-0&speaker=sill-8")
    assert "differences are real" in words or "taken together" in words
    assert "You would notice" in words
    assert re.search(r"LF extension \(−\d+ dB\).{3,60}better: Alder Fen Sill 0", words)
    assert ".." not in words


def test_side_by_side_names_what_fits_nothing_and_what_is_too_much(site):
    assert "no speaker is named" in site.text("/side-by-side?speaker=sill-0&add=zebra").lower()
    many = "&".join(f"speaker=sill-{i}" for i in range(7))
    assert "the first 5 are shown" in site.text(f"/side-by-side?{many}")
    assert "Choose two to five" in site.text("/side-by-side")


def test_the_room_question_is_answered_with_cautions_and_listening_limits(site):
    words = site.text("/room?distance=3&volume=60&level=95")
    assert "NIOSH" in words
    assert "Follow local rules and professional advice" in words
    assert "could not be judged" in words  # no compression was measured


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("distance=far&volume=60&level=95", "“far” is not a number"),
        ("distance=3&level=95", "Say how far away you sit"),
        ("distance=40&volume=60&level=95", "farther than a room of 60"),
        ("distance=3&dimensions=5x4&level=95", "expected length, width and height in metres"),
        ("distance=3&volume=60&level=95&reverberation=0.01", "more than its"),
    ],
)
def test_a_room_question_that_makes_no_sense_is_told_so(site, address, said):
    fragment = site.get(f"/room/answer?{address}")
    assert fragment.status_code == 200
    assert said in fragment.text
    assert "<html" not in fragment.text


def test_a_decimal_comma_is_understood(site):
    assert "at 2.5 m" in site.text("/room?distance=2,5&volume=60&level=95")


def test_trade_offs_need_a_better_direction(site):
    assert "neither direction is better" in site.text("/trade-offs?x=year&y=f6_hz")
    assert "no trade-off" in site.text("/trade-offs?x=price&y=price")


def test_trends_say_what_chance_could_do(site):
    words = site.text("/trends?metric=f6_hz&over=year")
    assert "per 10 years" in words
    assert "not a random sample" in words
    assert "standmount" in site.text("/trends?metric=f6_hz&over=kind")


def test_a_stored_question_runs_with_its_parameters_and_shows_its_sql(site):
    assert f"{SPEAKERS + 1} rows" in site.text("/questions/sessions")
    assert "No row answers this" in site.text("/questions/sessions?lab=elsewhere")
    assert "SELECT" in site.text("/questions/bass_for_size")
    assert "LIMIT" in site.text("/questions/bass_for_size?limit=-1")
    assert "expected a integer" in site.text("/questions/bass_for_size?limit=x")


def test_an_empty_file_says_what_to_do(taking):
    words = taking.text("/")
    assert "No measurements yet" in words
    assert "speakerdb ingest FOLDER" in words
    for path in ("/room", "/trade-offs", "/trends", "/side-by-side", "/dictionary/f6_hz", "/questions/sessions"):
        assert taking.get(path).status_code == 200, path


def test_while_another_process_writes_the_pages_say_so_and_when_to_ask_again(file, tmp_path):
    import shutil
    import subprocess
    import sys

    copy = tmp_path / "copy.duckdb"
    shutil.copyfile(file, copy)
    code = "import duckdb, sys, time; con = duckdb.connect(sys.argv[1]); print('held', flush=True); time.sleep(60)"
    with running(copy, idle_s=0.1) as one:
        assert one.get("/").status_code == 200
        while one.app.state.site.source.is_open:
            pass
        writer = subprocess.Popen([sys.executable, "-c", code, str(copy)], stdout=subprocess.PIPE, text=True)
        try:
            assert writer.stdout.readline() == "held\n"
            assert one.get("/").status_code == 200  # answered before, and nothing was written yet
            for path in ("/speakers?sort=year", "/api/speakers", "/drawn/speaker.js?speaker=sill-0"):
                busy = one.get(path)
                assert busy.status_code == 503
                assert int(busy.headers["retry-after"]) >= 1
            assert "in use" in one.text("/speakers?sort=year", status=503)
        finally:
            writer.kill()
            writer.wait()
        assert one.get("/").status_code == 200


def test_a_page_that_takes_long_says_so_and_is_there_the_next_time(file):
    with running(file, patience_s=0.0) as one:
        first = one.get("/trends")
        assert first.status_code == 202
        assert "worked out over the whole field" in first.text
        waited = 0
        while (reply := one.get("/trends")).status_code == 202 and waited < 500:
            waited += 1
        one.app.state.site.jobs._patience_s = 60.0
        assert "per 10 years" in one.text("/trends")
        assert reply.status_code in {200, 202}
