//! Every reader of frames, chosen by content: shape and samples must agree, whatever the bytes.
#![no_main]

use std::path::Path;

use hushframe::footage::decode_bytes;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    for page in [0, 1] {
        if let Ok(d) = decode_bytes(data, page, Path::new("relay/0001")) {
            let s = &d.samples;
            assert_eq!(s.data.len(), s.width * s.height * s.channels);
            assert_eq!(d.shape().samples(), s.data.len());
        }
    }
});
