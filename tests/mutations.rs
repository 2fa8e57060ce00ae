//! Texts that people write (pipelines, shoot.toml, clip.toml), turned over at random with a fixed
//! seed: an error or a value, never a panic. What fuzzing found is kept in `tests/findings`.

use std::fs;
use std::path::Path;

use hushframe::footage::{Facts, FactsFile, decode_bytes};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha12Rng;

const SHOOT: &str = r#"
pipeline = "clean-and-label"
dark = "black"
[facts]
rate = "30000/1001"
playback = 25
exposure = "50us"
pixel_pitch = "10um"
magnification = 4
black = 160
white = 4095
mosaic = "RGGB"
mains = 50
[[clip]]
frames = "comb-pluck"
trigger_frame = 26
"#;

const CLIP: &str = r#"
rate = 5000
scale = "1.003um"
binning = 2
[raw]
width = 4
height = 2
bits = 12
packing = "lsb"
header = 3
frame_header = 1
channels = 1
extension = "raw"
"#;

/// A text with a few bytes changed, left out, doubled or put elsewhere.
fn turned(text: &str, rng: &mut ChaCha12Rng) -> String {
    let mut bytes = text.as_bytes().to_vec();
    for _ in 0..rng.random_range(1..6) {
        let at = rng.random_range(0..bytes.len());
        match rng.random_range(0..5) {
            0 => bytes[at] = rng.random_range(0x09..0x7f),
            1 => {
                bytes.remove(at);
            }
            2 => bytes.insert(at, *b"0123456789.-\"[]{}=e_,\n".get(at % 22).unwrap()),
            3 => {
                let to = rng.random_range(at..(at + 40).min(bytes.len()));
                let part = bytes[at..to].to_vec();
                let place = rng.random_range(0..bytes.len());
                bytes.splice(place..place, part);
            }
            _ => {
                let digits = b"99999999999999999999";
                bytes.splice(at..at, digits[..rng.random_range(1..20)].iter().copied());
            }
        }
        if bytes.is_empty() {
            bytes.push(b'x');
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[test]
fn texts_turned_over_are_errors_or_values() {
    let mut rng = ChaCha12Rng::seed_from_u64(7);
    let dir = tempfile::tempdir().unwrap();
    let pipelines: Vec<String> = ["clean", "clean-and-label"]
        .iter()
        .map(|n| fs::read_to_string(format!("pipelines/{n}.toml")).unwrap())
        .collect();
    let (mut good, mut bad) = (0, 0);
    let mut count = |well: bool| if well { good += 1 } else { bad += 1 };
    for _ in 0..1500 {
        for text in &pipelines {
            count(hushframe::pipeline::parse("relay.toml", &turned(text, &mut rng)).is_ok());
        }
        let shoot = dir.path().join("shoot.toml");
        fs::write(&shoot, turned(SHOOT, &mut rng)).unwrap();
        count(hushframe::night::shoot::read(&shoot, &Facts::default()).is_ok());
        fs::write(dir.path().join("clip.toml"), turned(CLIP, &mut rng)).unwrap();
        fs::write(dir.path().join("1.raw"), [0; 20]).unwrap();
        count(FactsFile::in_folder(dir.path()).is_ok());
        if let Ok(clip) = hushframe::footage::find(dir.path()) {
            let _ = hushframe::footage::decode(&clip.frames[0]);
        }
    }
    assert!(good > 100 && bad > 1000, "{good} values, {bad} errors: the changes test nothing");
}

/// Everything that fuzzing found, one file each.
#[test]
fn findings_stay_found() {
    let Ok(folder) = fs::read_dir("tests/findings") else { return };
    for entry in folder {
        let path = entry.unwrap().path();
        let bytes = fs::read(&path).unwrap();
        let _ = decode_bytes(&bytes, 0, Path::new("relay/0001"));
        let _ = decode_bytes(&bytes, 1, Path::new("relay/0001"));
        if let Ok(text) = std::str::from_utf8(&bytes) {
            let _ = hushframe::pipeline::parse("relay.toml", text);
            let _ = toml::from_str::<FactsFile>(text);
        }
    }
}
