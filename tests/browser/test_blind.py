"""Blind tests in a real chromium: nothing is told too early, and chance is exact."""

import math

import pytest


def state(page):
    return page.run("return reampsPlayer.state()")


def table(page):
    """Rows of the result, as text."""
    return page.run(
        "return [...document.querySelectorAll('#blind-result tbody tr')]"
        ".map((r) => [...r.cells].map((c) => c.textContent))"
    )


def test_exact_chances(page, night):
    # Binomial tails at one half: published ABX table and 2517/65536 for 12 of 16.
    page.open(night)
    one = {
        (12, 16): 2517 / 65536,
        (9, 10): 0.01074,
        (10, 12): 0.01929,
        (15, 20): 0.02069,
        (8, 10): 0.05469,
        (5, 5): 0.03125,
        (60, 100): 0.02844,
    }
    for (k, n), p in one.items():
        found = page.run(f"return reampsChance.atLeast({k}, {n})")
        assert found == pytest.approx(p, abs=5e-6)
    # Right answers that p <= 0.05 needs in 10 to 25 trials, as published for ABX.
    needed = page.run(
        "return Array.from({length: 16}, (_, k) => { let right = 0;"
        " while (reampsChance.atLeast(right, k + 10) > 0.05) right += 1;"
        " return right; })"
    )
    assert needed == [9, 9, 10, 10, 11, 12, 12, 13, 13, 14, 15, 15, 16, 16, 17, 18]
    two = {
        (9, 10): 0.0215,
        (12, 16): 0.0768,
        (13, 16): 0.0213,
        (15, 20): 0.0414,
        (8, 10): 0.1094,
    }
    for (k, n), p in two.items():
        for side in (k, n - k):
            found = page.run(f"return reampsChance.twoSided({side}, {n})")
            assert found == pytest.approx(p, abs=5e-5)


def test_letters_and_orders_are_drawn_evenly(page, night):
    # 6000 orders of three: each of six has 1000 +- 5 sigma of the binomial.
    page.open(night)
    counts = page.run(
        "const c = {}; for (let k = 0; k < 6000; k += 1) {"
        " const o = reampsChance.shuffled(['a', 'b', 'c']).join('');"
        " c[o] = (c[o] || 0) + 1; } return c"
    )
    assert len(counts) == 6
    sigma = math.sqrt(6000 * (1 / 6) * (5 / 6))
    assert all(abs(count - 1000) < 5 * sigma for count in counts.values())


def test_a_blind_round_hides_names_until_the_last_vote(page, night):
    page.open(night)
    page.run("document.getElementById('blind-start').click()")
    page.until("return reampsPlayer.state().playing")
    visible = page.run(
        "return document.getElementById('blind-trial').innerText +"
        " document.getElementById('dock').innerText"
    )
    assert not [name for name in ("t001", "t002", "t003") if name in visible]
    for _ in range(3):
        assert page.run("return !document.getElementById('blind-trial').hidden")
        page.press("1", "2", "q")
    page.until("return !document.getElementById('blind-result').hidden")
    told = page.run("return document.getElementById('blind-result').textContent")
    rows = table(page)
    assert sorted(name for name, *_ in rows) == ["t001", "t002", "t003"]
    assert sum(int(won) for _, won, _, _ in rows) == 3
    assert {(of, p) for _, _, of, p in rows} == {("2", "\u2013")}
    assert "Fewer than 6 votes" in told
    assert state(page)["playing"] is False
    assert page.complaints() == []


def test_hearing_test_counts_right_answers(page, night):
    page.open(night)
    page.run(
        "document.querySelector('#blind-picks input').click();"
        "document.querySelector('[value=hear]').click();"
        "document.getElementById('blind-trials').value = '16';"
        "document.getElementById('blind-start').click()"
    )
    page.until("return reampsPlayer.state().playing")
    for turn in range(16):
        # What X plays is known to the player alone: compare by what is heard.
        keys = []
        for key in "123":
            page.press(key)
            keys.append(page.run("return reampsPlayer.state().current"))
        right = keys.index(keys[2])
        page.press("qw"[right] if turn < 12 else "wq"[right])
    page.until("return !document.getElementById('blind-result').hidden")
    told = page.run("return document.getElementById('blind-result').textContent")
    assert "12 of 16 right" in told
    assert "p = 0.038" in told


def test_brackets_are_fair(page, night):
    # Truth by construction: a knock-out of n needs n - 2 votes before its final; by
    # symmetry each of n wins one time in n when every vote is a coin toss.
    page.open(night)
    found = page.run(
        "const {bracket, below} = reampsChance, out = [];"
        "for (const n of [2, 3, 5, 6, 7, 8]) {"
        " const wins = Array(n).fill(0); let odd = 0, votes = 0;"
        " for (let turn = 0; turn < 1500; turn += 1) {"
        "  const seen = new Map(); let final = null;"
        "  for (const t of bracket([...Array(n).keys()], 3)) {"
        "   t.vote = below(2); votes += 1;"
        "   if (t.final) { final = final || [0, 0, ...[...t.pair].sort()];"
        "    final[final[2] === t.pair[t.vote] ? 0 : 1] += 1; }"
        "   for (const who of t.pair) {"
        "    if (t.round - (seen.get(who) ?? 0) > 2) odd += 1;"
        "    seen.set(who, t.round); } }"
        "  wins[final[0] > final[1] ? final[2] : final[3]] += 1; }"
        " out.push([n, votes / 1500, wins, odd]); } return out"
    )
    for n, votes, wins, odd in found:
        assert votes == n - 2 + 3
        assert sum(wins) == 1500
        sigma = math.sqrt(1500 * (1 / n) * (1 - 1 / n))
        assert all(abs(won - 1500 / n) < 5 * sigma for won in wins), n
        assert odd == 0, n  # nobody waits twice running


def tabs_to(page, id_):
    for _ in range(80):
        page.press("Tab")
        if page.run("return document.activeElement.id") == id_:
            return
    raise AssertionError(id_)


def test_a_bracket_by_keyboard_alone(page, night):
    # The listener always prefers the darkest of the shortlist: what is heard is known
    # to the player alone. 9 of 9 on two sides: 2 / 2^9 = 0.0039.
    page.open(night)
    page.run("document.getElementById('blind-add').focus()")
    page.press("t", "0", "0", "6", "Tab")  # typed: chooses t006 of the list
    page.run("document.querySelector('[value=prefer]').focus()")
    page.press("\ue015")  # arrow down
    assert page.run("return document.querySelector('[value=bracket]').checked")
    told = page.run("return document.getElementById('blind-count').textContent")
    entrants = page.run(
        "return [...document.querySelectorAll('#blind-picks label')]"
        ".map((l) => l.textContent.trim())"
    )
    assert entrants == ["t001", "t002", "t003", "t006"]
    assert told == "That is 11 votes."  # two before the final, nine in it
    tabs_to(page, "blind-start")
    page.press("Enter")
    page.until("return reampsPlayer.state().playing")
    asked = []
    for _ in range(11):
        asked.append(
            page.run("return document.getElementById('blind-ask').textContent")
        )
        heard = []
        for key in "12":
            page.press(key)
            heard.append(page.run("return reampsPlayer.state().current"))
        page.press("q" if "c5" in heard[0] or ("c5" not in heard[1]) else "w")
    assert [words.split(".")[1].strip() for words in asked] == [
        *["Round 1"] * 2,
        *["Final"] * 9,
    ]
    page.until("return !document.getElementById('blind-result').hidden")
    rows = table(page)
    assert rows[0] == ["t006", "winner", "1 of 1", "9 of 9"]
    assert rows[1][1:] == ["final", "1 of 1", "0 of 9"]
    assert [row[1:] for row in rows[2:]] == [["round 1", "0 of 1", "\u2013"]] * 2
    told = page.run("return document.getElementById('blind-result').innerText")
    assert "t006 was liked better 9 of 9 times, p = 0.004" in told
    assert "one time in 4" in told
    assert page.run("return document.activeElement.id") == "blind-result"
    assert page.complaints() == []


def test_breaks_are_suggested_and_a_phone_holds_it_all(page, night):
    page.window(390, 844, phone=True)
    page.open(night)
    page.run(
        "document.getElementById('blind-rounds').value = 5;"
        "document.getElementById('blind-form').dispatchEvent(new Event('input'))"
    )
    told = page.run("return document.getElementById('blind-count').textContent")
    assert told == "That is 15 votes, with a break after 12."
    page.run("document.getElementById('blind-start').click()")
    breaks = []
    for turn in range(15):
        words = page.run("return document.getElementById('blind-ask').textContent")
        if "Time for a break" in words:
            breaks.append(turn)
        page.press("q")
    assert breaks == [12]  # common practice: ten to fifteen trials at a stretch
    rows = table(page)
    # Chosen blindly, so the counts are chance; the figures must follow from them.
    for _, won, of, p in rows:
        assert of == "10"
        tail = sum(math.comb(10, k) for k in range(max(int(won), 10 - int(won)), 11))
        wanted = min(1, 2 * tail / 2**10)
        assert float(p) == pytest.approx(wanted, abs=6e-4)
    assert "multiply by 3" in page.run(
        "return document.getElementById('blind-result').innerText"
    )
    assert page.run("return document.documentElement.scrollWidth") <= 390
