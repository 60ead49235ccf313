"""The headphone check by antiphase tones, after Woods et al. (2017)."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from abx.web.server import open_sessions
from helpers.browser_harness import RATE, Listener, harness_app, running, served, violations
from helpers.browser_study import PAIRED, write_study

pytestmark = pytest.mark.browser

# Woods, Siegel, Traer and McDermott (2017), Atten Percept Psychophys 79:2064-2072: 200 Hz,
# target 6 dB softer, one interval with opposite phase in the two channels.
TONE_HZ = 200
SOFTER_DB = 6


# Eighteen tones take half a minute; the flow is the same when they are played faster.
QUICK_TONES = """
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...when) {
  this.playbackRate.value = 10;
  return start.apply(this, when);
};
"""


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with running(harness_app({})) as url:
        yield url


def test_the_tones_are_those_of_the_paper(page: Page, address: str) -> None:
    page.goto(address)
    encoded = page.evaluate("""async () => {
      const { checkTones } = await import("/player/headphones.js");
      const context = new OfflineAudioContext(2, 1, 48000);
      const buffer = checkTones(context, ["softer", "opposite", "plain"]);
      return [0, 1].map((channel) => {
        const bytes = new Uint8Array(buffer.getChannelData(channel).buffer);
        let text = "";
        for (let i = 0; i < bytes.length; i += 0x8000) {
          text += String.fromCharCode(...bytes.subarray(i, i + 0x8000));
        }
        return btoa(text);
      });
    }""")
    left, right = (np.frombuffer(base64.b64decode(c), "<f4").astype(float) for c in encoded)
    tones = [(left[s : s + RATE], right[s : s + RATE]) for s in range(0, len(left), 3 * RATE // 2)]
    rms = [20 * np.log10(np.sqrt(np.mean(tone[0] ** 2))) for tone in tones]
    assert rms[2] - rms[0] == pytest.approx(SOFTER_DB, abs=0.01)
    assert rms[2] == pytest.approx(rms[1], abs=0.01)
    np.testing.assert_allclose(tones[0][1], tones[0][0])
    np.testing.assert_allclose(tones[1][1], -tones[1][0])
    np.testing.assert_allclose(tones[2][1], tones[2][0])
    spectrum = np.abs(np.fft.rfft(tones[2][0]))
    assert np.argmax(spectrum) == TONE_HZ  # one bin is 1 Hz in a second of sound
    assert np.abs(left).max() < 10 ** (-20 / 20)  # soft, whatever the device is set to


def test_the_check_is_noted_with_the_sitting(page: Page, tmp_path: Path) -> None:
    with served(write_study(tmp_path, tests=PAIRED)) as server:
        page.add_init_script(QUICK_TONES)
        someone = Listener(page, server.url)
        someone.agree("Headphones or earphones")
        page.get_by_role("button", name="Play the tone").wait_for()
        faults = violations(page)
        page.get_by_role("button", name="Play the tone").click()
        page.get_by_role("button", name="I hear it well").click()
        for number in range(1, 7):
            expect(page.locator(".step")).to_have_text(f"Headphone check {number} of 6")
            page.get_by_role("button", name="Play the three tones").click()
            faults += violations(page) if number == 1 else []
            page.get_by_role("button", name="Tone 2").click()
        assert faults == []
        page.get_by_role("button", name="Go on").click()
        expect(page.get_by_role("heading", name="Set the level")).to_be_visible()
        sessions = open_sessions(tmp_path)
        begun = sessions.store.rows(sessions.study_id, kind="session-begun")
        sessions.store.close()
        assert begun[0].content["output"] == "headphones"
        assert begun[0].content["hearing"]["self-report"] == "normal"
        assert begun[0].content["hearing"]["headphone check"].endswith(" of 6")
