//! The pages and the movie of a run, as files on disk.

use std::fs;
use std::path::Path;

use crate::harness::{Place, kept, read_json, tree, write_gray};

fn run(place: &Place, out: &str, more: &[&str]) {
    let clip = kept("comb-pluck").display().to_string();
    let mut args =
        vec!["run", &clip, "--out", out, "--pipeline", "clean", "--playback", "30000/1001"];
    args.extend_from_slice(more);
    place.run(&args).expect(0, &[]);
}

/// Boxes of a movie by their path, first of each kind; ISO/IEC 14496-12.
#[cfg(feature = "preview")]
fn atom<'a>(bytes: &'a [u8], path: &[&str]) -> &'a [u8] {
    let mut inside = bytes;
    for kind in path {
        let mut at = 0;
        inside = loop {
            assert!(at + 8 <= inside.len(), "there is no box {kind} of {path:?}");
            let length = u32::from_be_bytes(inside[at..at + 4].try_into().unwrap()) as usize;
            assert!(length >= 8 && at + length <= inside.len(), "box at {at} is {length} long");
            if &inside[at + 4..at + 8] == kind.as_bytes() {
                break &inside[at + 8..at + length];
            }
            at += length;
        };
    }
    inside
}

#[cfg(feature = "preview")]
fn word(bytes: &[u8], at: usize) -> u32 {
    u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap())
}

#[cfg(feature = "preview")]
#[test]
fn the_movie_has_the_frames_the_rate_and_the_size() {
    let place = Place::new();
    run(&place, "one", &["--threads", "1"]);
    run(&place, "two", &["--threads", "2"]);
    let movie = |out: &str| fs::read(place.path(out).join("comb-pluck/preview.mp4")).unwrap();
    let bytes = movie("one");
    assert!(bytes == movie("two"), "the movie depends on the number of threads");
    let note = read_json(&place.path("one/comb-pluck/preview.json"));
    let frames = fs::read_dir(place.path("one/comb-pluck/frames")).unwrap().count();
    let mdia = ["moov", "trak", "mdia"];
    let mdhd = atom(&bytes, &[&mdia[..], &["mdhd"]].concat());
    let stbl = |kind| atom(&bytes, &[&mdia[..], &["minf", "stbl", kind]].concat());
    assert_eq!(word(stbl("stsz"), 8) as usize, frames);
    assert_eq!(note["frames"], frames);
    assert_eq!((word(mdhd, 12), word(mdhd, 16) as usize), (30000, 1001 * frames));
    assert_eq!([word(stbl("stts"), 4), word(stbl("stts"), 12)], [1, 1001]);
    let tkhd = atom(&bytes, &["moov", "trak", "tkhd"]);
    let size = read_json(&place.path("one/comb-pluck/record.json"))["frame_size"].clone();
    let sides = [word(tkhd, 76) >> 16, word(tkhd, 80) >> 16];
    assert_eq!(serde_json::json!(sides), size, "smaller than 1280 px: not scaled");
    // Samples fill mdat to its end, each a chain of units of the length it says.
    let mut at = word(stbl("stco"), 8) as usize;
    for k in 0..frames {
        let end = at + word(stbl("stsz"), 12 + 4 * k) as usize;
        while at < end {
            at += 4 + word(&bytes, at) as usize;
        }
        assert_eq!(at, end, "sample {k}");
    }
    assert_eq!(at, bytes.len());
    let flash = &note["flash"];
    assert_eq!(flash["failures"].as_array().unwrap().len(), 0, "{flash}");
}

#[test]
fn pages_come_again_from_records_alone_and_without_a_movie() {
    let place = Place::new();
    let [dark, flat] = ["black", "even"].map(|n| kept(n).display().to_string());
    run(&place, "out", &["--no-preview", "--dark", &dark, "--flat", &flat]);
    let clip = place.path("out/comb-pluck");
    assert!(!clip.join("preview.mp4").exists());
    let before = tree(&place.path("out"));
    fs::remove_file(clip.join("report.html")).unwrap();
    fs::remove_file(place.path("out/index.html")).unwrap();
    let ended = place.run(&["report", "out"]);
    ended.expect(0, &[]);
    assert!(ended.out.contains("report.html") && ended.out.contains("index.html"), "{}", ended.out);
    assert!(before == tree(&place.path("out")), "the pages came out otherwise");
    let page = fs::read_to_string(clip.join("report.html")).unwrap();
    for words in [
        "Before and after",
        "What shakes",
        "mains frequency",
        "clip.toml",
        "<svg",
        "Photon transfer",
        "ideal of averaging",
        "Defective pixels",
        "16 frames; their mean is known to",
    ] {
        assert!(page.contains(words), "no {words} on the page");
    }
    let index = fs::read_to_string(place.path("out/index.html")).unwrap();
    // 24 frames at 10,000 and at 29.97 a second.
    let times = "2.40\u{a0}ms filmed, 801\u{a0}ms shown, made in ";
    assert!(index.contains(times) && !index.contains(" controls"), "{index}");
    for outside in ["http://", "https://", "src=\"//", "@import", "url("] {
        assert!(!page.contains(outside), "the page names {outside}");
    }
    place.run(&["report", "nothing-here"]).expect(2, &["nothing-here"]);
}

#[test]
fn of_a_quick_look_only_the_frames_that_are_there_count() {
    let place = Place::new();
    run(&place, "out", &["--no-preview", "--frames", "3-12"]);
    let page = fs::read_to_string(place.path("out/comb-pluck/report.html")).unwrap();
    let sums = "Frames made, missing, failed</dt><dd>10 of 24, 0, 0</dd>";
    assert!(page.contains(sums), "{}", &page[page.find("Frames made").unwrap_or(0)..][..200]);
    assert!(page.contains("Not every frame is made yet"));
    // The rest, and it says how many there are.
    run(&place, "out", &["--no-preview"]);
    let page = fs::read_to_string(place.path("out/comb-pluck/report.html")).unwrap();
    assert!(page.contains("failed</dt><dd>24, 0, 0</dd>"));
    for words in ["exclude = none px", "20um", "20us"] {
        assert!(!page.contains(words), "{words} on the page");
    }
}

/// A made-up clip whose every text is an attempt at markup.
fn hostile(folder: &Path, frames: usize) {
    const EVIL: &str = "\"><img src=x onerror=alert(1)><script>alert(2)</script>'`${{7*7}}\u{202e}";
    fs::create_dir_all(folder).unwrap();
    fs::write(folder.join("lock"), "").unwrap();
    fs::write(folder.join("complete.json"), "{}").unwrap();
    let failed: serde_json::Map<_, _> =
        (0..500).map(|n| (n.to_string(), serde_json::json!(EVIL))).collect();
    let record = serde_json::json!({
        "tool": EVIL, "clip": EVIL, "key": EVIL,
        "pipeline": { "name": EVIL, "steps": [{ "use": EVIL, EVIL: EVIL }] },
        "inputs": { "dark": EVIL, "flat": null },
        "facts": { "rate": { "value": "5000", "source": EVIL },
                   "mosaic": { "value": EVIL, "source": EVIL },
                   "scale": { "value": { "um_per_px": 1.5, "file": EVIL }, "source": EVIL } },
        "frame_size": [EVIL, EVIL], "origin_px": [EVIL, 0],
        "noise_model": { "gain_e_per_dn": 0.25, "read_noise_e": 8.0, "source": EVIL },
        "scale": { "um_per_px": 1.5 }, "rates": { "capture": "5000", "playback": EVIL },
        "registration": { "locked": true, "jitter_px": 0.4, "still_share": 0.7 },
        "output_scale": { "coded": EVIL },
        "frames": { "failed": failed },
        "warnings": [{ "kind": EVIL, "text": EVIL, "advice": EVIL }],
    });
    fs::write(folder.join("record.json"), record.to_string()).unwrap();
    let mut csv = String::from(
        "frame,time_s,shift_x_px,shift_y_px,rotation_mrad,shift_sigma_px,light_gain,noise_e,status\n",
    );
    for n in 0..frames {
        let t = n as f64 / 5000.0;
        let wave = (n as f64 * 0.37).sin();
        let status = ["ok", "missing", "low-confidence"]
            [usize::from(n % 97 == 0) + usize::from(n % 89 == 0)];
        csv.push_str(&format!(
            "{n},{t:.9},{:.4},{:.4},0,0.0100,{:.6},1.2345,{status}\n",
            3.0 * wave + (n % 11) as f64 * 0.01,
            2.0 * wave - (n % 7) as f64 * 0.01,
            1.0 + 0.1 * wave
        ));
    }
    fs::write(folder.join("frames.csv"), csv).unwrap();
}

#[test]
fn hostile_names_are_text_and_long_clips_stay_small() {
    let place = Place::new();
    let name = "x\"><script>alert(3)<&'$(";
    hostile(&place.path("out").join(name), 20_000);
    place.run(&["report", "out"]).expect(0, &[]);
    let page = fs::read(place.path("out").join(name).join("report.html")).unwrap();
    println!("a page of 20000 frames: {} bytes", page.len());
    assert!(page.len() < 3_000_000, "{} bytes", page.len());
    for text in [page, fs::read(place.path("out/index.html")).unwrap()] {
        let text = String::from_utf8(text).unwrap();
        assert_eq!(text.matches("<script").count(), 1, "our own, and no other");
        assert_eq!(text.matches("</script").count(), 1);
        assert!(!text.contains("onerror=alert(1)>") && !text.contains("<img src=x"));
        assert!(!text.contains('\u{202e}'), "a direction override went through");
        assert!(!text.contains("href=\"./x\""), "a quote ended an address");
    }
}

/// What is put into a page as it is: our style and script, and what templates have escaped before.
#[test]
fn nothing_else_goes_round_the_templates() {
    let mut found = Vec::new();
    for entry in walkdir::WalkDir::new("src") {
        let path = entry.unwrap().into_path();
        if path.extension().is_some_and(|e| e == "rs") {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let text = fs::read_to_string(&path).unwrap();
            let raw = |l: &&str| l.contains("PreEscaped(") || l.contains("Render for");
            found.extend(text.lines().filter(raw).map(|l| format!("{name}: {}", l.trim())));
        }
    }
    found.sort();
    let known = [
        "document.rs: (PreEscaped(printable(&body.0)))",
        "document.rs: script { (PreEscaped(SCRIPT)) }",
        "document.rs: style { (PreEscaped(STYLE)) }",
        "sheet.rs: style { (PreEscaped(STYLE)) }",
    ];
    assert_eq!(found, known);
}

/// Makes folders of results for `tests/reference/drive_pages.py` in `HUSHFRAME_PAGES`.
#[test]
#[ignore = "makes files for another program"]
fn pages_to_drive() {
    let to = std::path::PathBuf::from(std::env::var("HUSHFRAME_PAGES").unwrap());
    let place = Place::new();
    let out = to.display().to_string();
    // A clip that flashes: even light, three frames dark, three bright, shown at 25 a second.
    let flash = place.path("lamp-flash");
    fs::create_dir(&flash).unwrap();
    for n in 0..60_usize {
        let level = if n / 3 % 2 == 0 { 3_000 } else { 40_000 };
        let codes: Vec<u16> =
            (0..96 * 64_usize).map(|i| level + ((i * 7 + n * 13) % 97) as u16).collect();
        write_gray(&flash.join(format!("f{n:04}.tif")), (96, 64), &codes);
    }
    let stages = "[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"display\"\n";
    place.write("shown.toml", &format!("name = \"shown\"\n{stages}"));
    let more = ["--out", &out, "--pipeline", "shown.toml", "--playback", "25", "--rate", "500"];
    place.run(&[&["run", "lamp-flash"][..], &more].concat()).expect(0, &[]);
    if cfg!(feature = "preview") {
        let note = read_json(&to.join("lamp-flash/preview.json"));
        assert!(!note["flash"]["failures"].as_array().unwrap().is_empty(), "{note}");
    }
    // A clip with a gap, and a frame that is cut off.
    let gaps = place.copy("comb-pluck", "comb-with-gaps");
    fs::remove_file(gaps.join("000009.tif")).unwrap();
    let bytes = fs::read(gaps.join("000015.tif")).unwrap();
    fs::write(gaps.join("000015.tif"), &bytes[..bytes.len() / 2]).unwrap();
    let [dark, flat] = ["black", "even"].map(|n| kept(n).display().to_string());
    let more = ["--out", &out, "--dark", &dark, "--flat", &flat, "--playback", "30000/1001"];
    place.run(&[&["run", "comb-with-gaps"][..], &more].concat()).expect(1, &[]);
    hostile(&to.join("x\"><script>alert(3)<&'$("), 20_000);
    place.run(&["report", &out]).expect(0, &[]);
}
