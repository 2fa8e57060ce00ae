//! Every text that a person writes: pipeline, shoot.toml, clip.toml, scale files.
#![no_main]

use hushframe::footage::{Facts, FactsFile};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let _ = hushframe::pipeline::parse("relay/any.toml", text);
    let folder = std::env::temp_dir().join(format!("hushframe-fuzz-{}", std::process::id()));
    let file = folder.join("shoot.toml");
    if std::fs::create_dir_all(&folder).and_then(|()| std::fs::write(&file, data)).is_ok() {
        let _ = FactsFile::read(&file);
        let _ = hushframe::night::shoot::read(&file, &Facts::default());
    }
});
