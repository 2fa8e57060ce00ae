"""Opens pages and movies of finished runs in a browser, and does what a person would.

    DIR/bin/python tests/reference/drive_pages.py OUT [OUT ...] [--shots FOLDER]

Each OUT is an output folder with index.html. With headless Chromium (Debian's packages chromium
and chromium-driver, driven by Selenium), every page is opened from the disk, as people open it:

- nothing severe on the console, and no script ran but the page's own (a record may hold markup);
- nothing is loaded but files beside the page;
- each plot has as many points as the table and the rule for thinning it give (counted here again);
- the divider of the comparison follows the mouse and the arrow keys;
- the movie plays to its end: readyState, duration, size, number of frames; its middle frame is the
  finished frame within 35 dB; the overview shows no player until a picture is asked for;
- axe-core finds nothing, in light, in dark and in a narrow window.

PyAV reads each movie besides, as a second reader. --shots keeps pictures of every page in light,
dark, narrow and printed. Exit code 1 and one line a fault where something is wrong.
"""

import argparse
import base64
import csv
import importlib.resources
import io
import json
import pathlib
import sys
import tempfile
import time

import av
import numpy as np
import tifffile
from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

FLAGS = """--headless --no-sandbox --disable-gpu --disable-quic --no-first-run
    --disable-background-networking --disable-component-update --disable-sync
    --hide-scrollbars""".split()
COLUMNS = 720  # src/report/plot.rs
LEAST_DB = 35.0
NARROW, WIDE = (390, 844), (1280, 900)
# Before any script of the page: what ran that should not have.
WATCH = "window.ran = []; for (const f of ['alert','confirm','prompt']) window[f] = x => ran.push(x);"


def browser(folder):
    options = webdriver.ChromeOptions()
    for flag in FLAGS + [f"--user-data-dir={folder}"]:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    service = webdriver.ChromeService("/usr/bin/chromedriver")
    driver = webdriver.Chrome(options=options, service=service)
    driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": WATCH})
    return driver


def look(driver, size, scheme="light"):
    """Sets the size of the window in CSS pixels, and light or dark."""
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def kept(values):
    """How many points of a line are drawn: the extremes of each of 720 runs, first and last."""
    n = len(values)
    if n <= 2 * COLUMNS:
        return n
    count = 0
    for c in range(COLUMNS):
        run = range(c * n // COLUMNS, (c + 1) * n // COLUMNS)
        at = {min(run, key=lambda i: values[i]), n - 1 if c + 1 == COLUMNS else run[0]}
        at = {min(run, key=lambda i: values[i])}
        # Of equal highest values the last counts, of equal lowest the first.
        at.add(max(run, key=lambda i: (values[i], i)))
        at |= {0} if c == 0 else set()
        at |= {n - 1} if c + 1 == COLUMNS else set()
        count += len(at)
    return count


def expected_points(clip):
    """For each plot of a clip's page, how many points its lines must have."""
    record = json.loads((clip / "record.json").read_text())
    with open(clip / "frames.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    usable = [r for r in rows if r["status"] not in ("missing", "unreadable")]
    noise = [float(r["noise_e"]) for r in rows if r["noise_e"]]
    wanted = {}
    if record["registration"]["locked"] and len(usable) > 1:
        wanted["drift-p"] = [kept([float(r[f"shift_{a}_px"]) for r in usable]) for a in "xy"]
        wanted["light-p"] = [kept([float(r["light_gain"]) for r in usable])]
        if len(rows) >= 16:
            lines = min(len(rows), 4096) // 2 * 2 // 2 + 1
            wanted["shake-p"] = [min(lines, 2 * COLUMNS)] * 2
    if noise:
        wanted["noise-p"] = [kept(noise)]
    transfer = (record["noise_model"] or {}).get("transfer")
    if transfer:
        wanted["transfer-p"] = [2]
        wanted["transfer-p dots"] = len(transfer["points"])
    return wanted


POINTS = """
const all = {};
for (const svg of document.querySelectorAll("svg.plot")) {
  const id = svg.getAttribute("aria-labelledby").split("-t ")[0];
  const lines = [...svg.querySelectorAll("polyline")].map(p => p.points.numberOfItems);
  all[id] = lines;
  all[id + " dots"] = svg.querySelectorAll(".dots circle").length;
}
return all;
"""


def check_plots(driver, clip, say):
    drawn = driver.execute_script(POINTS)
    for name, wanted in expected_points(clip).items():
        found = drawn.get(name)
        # Lines of spectra may be thinned; what is drawn after (light, ideal) has its own rule.
        if isinstance(wanted, list):
            found = (found or [])[: len(wanted)]
            thinned = name == "shake-p" and wanted[0] == 2 * COLUMNS
            if thinned and found and all(COLUMNS < n <= 2 * COLUMNS + 2 for n in found):
                continue
        if found != wanted:
            say(f"plot {name} has {found} points, not {wanted}")
    return sum(sum(v) for v in drawn.values() if isinstance(v, list))


def check_divider(driver, say):
    """Moves the divider as a person does; False where the page has none."""
    pairs = driver.find_elements(By.CSS_SELECTOR, ".pair")
    if not pairs:
        return False
    slide = driver.find_element(By.ID, "cut")
    stack = pairs[0].find_element(By.CSS_SELECTOR, ".stack")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", stack)

    def where():
        edge = driver.execute_script(
            "return getComputedStyle(document.querySelector('.over')).clipPath"
        )
        return int(slide.get_attribute("value")), edge

    width = stack.size["width"]
    mouse = ActionChains(driver)
    mouse.move_to_element(stack).click_and_hold()
    mouse.move_by_offset(width // 4, 0).release().perform()
    value, edge = where()
    if not 73 <= value <= 77 or f"{value}%" not in edge:
        say(f"dragged to 75 % the divider stands at {value} ({edge})")
    mouse = ActionChains(driver)
    mouse.move_by_offset(-width // 8, 0).perform()
    if where()[0] != value:
        say("the divider follows a mouse that no longer holds it")
    driver.execute_script("arguments[0].focus()", slide)
    slide.send_keys(Keys.ARROW_LEFT * 5)
    after, edge = where()
    if after != value - 5 or f"{after}%" not in edge:
        say(f"five arrow keys moved the divider from {value} to {after} ({edge})")
    said = slide.get_attribute("aria-valuetext") or ""
    if str(after) not in said:
        say(f'the divider says "{said}" at {after}')
    for picture in pairs[0].find_elements(By.TAG_NAME, "img"):
        if int(picture.get_attribute("naturalWidth") or 0) == 0:
            say(f"picture {picture.get_attribute('src')} does not show")
    return True


def shown(clip, note, number):
    """A finished frame as 8-bit codes, by the note of how it is shown."""
    data = tifffile.imread(clip / "frames" / f"{number:06}.tif").astype(np.float64)
    how = note["frames_shown"]
    if how["shown"] == "linear":
        # IEC 61966-2-1.
        light = np.clip((data - how["pedestal"]) / how["span"], 0.0, 1.0)
        data = 65535 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return data / 257.0


def decibel(a, b):
    a = a if a.ndim == 3 else np.repeat(a[..., None], 3, axis=2)
    return 10 * np.log10(255.0**2 / max(1e-9, np.mean((a - b.astype(np.float64)) ** 2)))


def check_movie_file(clip, note, say):
    """Reads the movie with PyAV; gives the numbers of its frames in order of showing."""
    with av.open(str(clip / "preview.mp4")) as file:
        stream = file.streams.video[0]
        pictures = [f for f in file.decode(stream)]
        rate = note["rate"].split("/") + ["1"]
        wanted = int(rate[0]) / int(rate[1])
        if (stream.width, stream.height) != tuple(note["size"]):
            say(f"PyAV: {stream.width} x {stream.height}, not {note['size']}")
        if stream.codec_context.name != "h264" or stream.pix_fmt != "yuv420p":
            say(f"PyAV: {stream.codec_context.name}, {stream.pix_fmt}")
        length = float(stream.duration * stream.time_base)
        if abs(length - note["duration_s"]) > 1e-3:
            say(f"PyAV: {length} s, the note says {note['duration_s']}")
        if abs(float(pictures[-1].time) - (note["duration_s"] - 1 / wanted)) > 2e-3:
            say(f"PyAV: the last picture is shown at {pictures[-1].time} s")
    if len(pictures) != note["frames"]:
        say(f"PyAV: {len(pictures)} pictures, the note says {note['frames']}")
    head = (clip / "preview.mp4").read_bytes()
    if not 0 < head.find(b"moov") < head.find(b"mdat"):
        say("the movie's index does not stand before its pictures")
    numbers = sorted(int(p.stem) for p in (clip / "frames").glob("*.tif"))
    middle = len(pictures) // 2
    seen = pictures[middle].to_ndarray(format="rgb24")
    db = decibel(shown(clip, note, numbers[middle]), seen)
    if db < LEAST_DB:
        say(f"PyAV: frame {numbers[middle]} of the movie lies {db:.1f} dB from the finished one")
    return numbers[middle], float(pictures[middle].time), db


PLAY = """
const done = arguments[0], v = document.querySelector("#preview video");
v.loop = false; v.muted = true; v.playbackRate = 1;
v.addEventListener("ended", () => done({
  ready: v.readyState, duration: v.duration, size: [v.videoWidth, v.videoHeight],
  frames: v.getVideoPlaybackQuality().totalVideoFrames, error: v.error && v.error.message}));
v.addEventListener("error", () => done({error: v.error.message}));
// A jump to where it stands already would have pictures decoded, and counted, twice.
if (v.currentTime > 0) v.currentTime = 0;
v.play().catch(e => done({error: String(e)}));
"""
SEEK = """
const [at, half, done] = arguments, v = document.querySelector("#preview video");
v.controls = false;
v.style.cssText = `position:fixed;left:0;top:0;z-index:9;max-width:none;width:${v.videoWidth}px;height:${v.videoHeight}px`;
// The last picture of what was played may come after this was asked for; it is not the one.
const look = (_, shown) => Math.abs(shown.mediaTime + half - at) < half
  ? done() : v.requestVideoFrameCallback(look);
v.requestVideoFrameCallback(look);
v.currentTime = at;
"""


def decibel_on_screen(driver, wanted, wait_s):
    """How near the window's upper left corner comes to a picture that should stand still there.

    A busy browser may draw what it has decoded, and where it was told to, a while after it says so:
    looked at again for as long as `wait_s` seconds, until it is near enough.
    """
    until = time.monotonic() + wait_s
    while True:
        picture = Image.open(io.BytesIO(base64.b64decode(driver.get_screenshot_as_base64())))
        seen = np.asarray(picture.convert("RGB"))[: wanted.shape[0], : wanted.shape[1]]
        db = decibel(wanted, seen)
        if db >= LEAST_DB or time.monotonic() > until:
            return db
        time.sleep(0.1)


def check_movie(driver, clip, say):
    """Plays the clip's movie on its page; a line about it, or None where there is none."""
    path = clip / "preview.json"
    if not path.exists():
        return None
    note = json.loads(path.read_text())
    number, at, av_db = check_movie_file(clip, note, say)
    video = driver.find_element(By.CSS_SELECTOR, "#preview video")
    if video.get_attribute("autoplay") or not driver.execute_script(
        "return arguments[0].paused", video
    ):
        say("the movie plays by itself")
    driver.set_script_timeout(60)
    played = driver.execute_async_script(PLAY)
    if played.get("error"):
        say(f"the movie does not play: {played['error']}")
        return None
    if played["ready"] < 2:
        say(f"readyState {played['ready']}")
    if abs(played["duration"] - note["duration_s"]) > 1e-3:
        say(f"{played['duration']} s, the note says {note['duration_s']}")
    if played["size"] != note["size"]:
        say(f"the movie is {played['size']}, the note says {note['size']}")
    if played["frames"] != note["frames"]:
        say(f"{played['frames']} frames were shown, the note says {note['frames']}")
    rate = note["rate"].split("/") + ["1"]
    half = 0.5 * int(rate[1]) / int(rate[0])
    driver.execute_async_script(SEEK, at + half, half)
    db = decibel_on_screen(driver, shown(clip, note, number), wait_s=10)
    if db < LEAST_DB:
        say(f"frame {number} as the browser shows it lies {db:.1f} dB from the finished one")
    return f"{note['frames']} frames played, frame {number}: {db:.1f} dB (PyAV {av_db:.1f} dB)"


def check_overview(driver, out, say):
    """No player on load; a picture that is asked for plays, and stops."""
    if driver.execute_script(
        "return [...document.querySelectorAll('video')].some(v => v.controls || v.offsetWidth)"
    ):
        say("a player is seen before anybody asked for it")
    buttons = driver.find_elements(By.CSS_SELECTOR, "button.play")
    for button in buttons[:2]:
        movie = button.find_element(By.TAG_NAME, "video")
        driver.execute_script("arguments[0].focus()", button)
        button.send_keys(Keys.ENTER)
        wait = time.monotonic() + 10
        while time.monotonic() < wait and not driver.execute_script(
            "return arguments[0].currentTime > 0", movie
        ):
            time.sleep(0.05)
        if driver.execute_script("return arguments[0].paused", movie):
            say("a picture that was asked for does not move")
        button.send_keys(Keys.ENTER)
        if not driver.execute_script("return arguments[0].paused && arguments[0].hidden", movie):
            say("a moving picture does not stop")
    rows = driver.execute_script("return document.querySelectorAll('.night tbody tr').length")
    clips = len(list(out.glob("*/report.html")))
    if rows != clips:
        say(f"{rows} rows for {clips} clips")


def check_access(driver, axe, say, where):
    driver.execute_script(axe)
    driver.set_script_timeout(120)
    found = driver.execute_async_script(
        "const done = arguments[0]; axe.run().then(r => done(r.violations), e => done(String(e)))"
    )
    if isinstance(found, str):
        say(f"axe-core: {found}")
        return
    for v in found:
        nodes = "; ".join(n["html"][:120] for n in v["nodes"][:3])
        say(f"{where}: {v['id']}: {v['help']} ({len(v['nodes'])}): {nodes}")


LOADED = "return performance.getEntriesByType('resource').map(r => r.name)"
OPENED = """
const t = performance.getEntriesByType("navigation")[0];
return t.loadEventEnd - t.startTime;
"""


def open_page(driver, page):
    driver.get(page.as_uri())
    driver.execute_async_script(
        "const d = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => d()))"
    )
    return driver.execute_script(OPENED)


def check_page(driver, page, axe, shots):
    faults = []
    name = f"{page.parent.name}/{page.name}"
    say = lambda text: faults.append(f"{name}: {text}")
    look(driver, WIDE)
    took = open_page(driver, page)
    if took > 2000:
        say(f"it took {took:.0f} ms to open")
    notes = [f"{page.stat().st_size} bytes, open after {took:.0f} ms"]
    beside = page.parent.as_uri()
    for address in driver.execute_script(LOADED):
        if not address.startswith((beside, "data:")):
            say(f"{address} was loaded")
    if page.name == "index.html":
        check_overview(driver, page.parent, say)
    else:
        notes.append(f"{check_plots(driver, page.parent, say)} points")
        if check_divider(driver, say):
            notes.append("divider")
    for where, size, scheme in [
        ("light", WIDE, "light"), ("dark", WIDE, "dark"), ("narrow", NARROW, "light")
    ]:
        look(driver, size, scheme)
        check_access(driver, axe, say, where)
        spill = driver.execute_script(
            "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        if spill > 0:
            say(f"{where}: the page is {spill} px wider than the window")
        if shots:
            take(driver, shots / f"{page.parent.name}-{page.stem}-{where}.png")
    look(driver, WIDE)
    if shots:
        pdf = driver.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})
        place = shots / f"{page.parent.name}-{page.stem}.pdf"
        place.write_bytes(base64.b64decode(pdf["data"]))
    if page.name != "index.html":
        movie = check_movie(driver, page.parent, say)
        if movie:
            notes.append(movie)
    for entry in driver.get_log("browser"):
        if entry["level"] in ("SEVERE", "WARNING"):
            say(f"console: {entry['message'][:300]}")
    ran = driver.execute_script("return window.ran")
    if ran:
        say(f"a record's text ran as a script: {ran}")
    print(f"{name}: {', '.join(notes)}")
    return faults


def take(driver, place):
    tall = driver.execute_script("return document.documentElement.scrollHeight")
    wide = driver.execute_script("return document.documentElement.clientWidth")
    clip = {"x": 0, "y": 0, "width": wide, "height": min(tall, 12000), "scale": 1}
    shot = driver.execute_cdp_cmd(
        "Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip}
    )
    place.write_bytes(base64.b64decode(shot["data"]))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("out", nargs="+", type=pathlib.Path)
    parser.add_argument("--shots", type=pathlib.Path)
    given = parser.parse_args()
    axe = (importlib.resources.files("axe_playwright_python") / "axe.min.js").read_text()
    if given.shots:
        given.shots.mkdir(parents=True, exist_ok=True)
    faults, pages = [], 0
    with tempfile.TemporaryDirectory() as folder:
        driver = browser(folder)
        try:
            for out in given.out:
                out = out.resolve()
                for page in [out / "index.html", *sorted(out.glob("*/report.html"))]:
                    faults += check_page(driver, page, axe, given.shots)
                    pages += 1
        finally:
            driver.quit()
    for fault in faults:
        print(fault, file=sys.stderr)
    print(f"{pages} pages driven, {len(faults)} faults")
    return 1 if faults or not pages else 0


if __name__ == "__main__":
    sys.exit(main())
