//! Headerless frames: the first line is the description, the rest the file.
#![no_main]

use hushframe::footage::{FactsFile, find, decode, exif_facts, shape_of};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let cut = data.iter().position(|&b| b == 0).unwrap_or(data.len());
    let folder = std::env::temp_dir().join(format!("hushframe-fuzz-{}", std::process::id()));
    let made = std::fs::create_dir_all(&folder)
        .and_then(|()| std::fs::write(folder.join("clip.toml"), &data[..cut]))
        .and_then(|()| std::fs::write(folder.join("1.raw"), data.get(cut + 1..).unwrap_or(&[])));
    if made.is_err() {
        return;
    }
    let _ = FactsFile::in_folder(&folder);
    if let Ok(clip) = find(&folder) {
        for frame in clip.frames.iter().take(2) {
            let _ = (shape_of(frame), decode(frame), exif_facts(frame));
        }
    }
});
