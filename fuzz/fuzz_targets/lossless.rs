//! Lossless JPEG inside a small colour-filter page: the bytes are the stream of its only strip.
#![no_main]

use std::path::Path;

use hushframe::footage::decode_bytes;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Some((&bits, stream)) = data.split_first() else { return };
    let bits = [8_u32, 10, 12, 14, 16][usize::from(bits) % 5];
    let length = u32::try_from(stream.len()).unwrap_or(0);
    let tags: [(u16, u32); 9] = [
        (256, 30),
        (257, 22),
        (258, bits),
        (259, 7),
        (262, 32_803),
        (273, 8 + 2 + 12 * 9 + 4),
        (277, 1),
        (278, 22),
        (279, length),
    ];
    let mut file = b"II\x2a\0\x08\0\0\0\x09\0".to_vec();
    for (tag, value) in tags {
        file.extend(tag.to_le_bytes());
        file.extend([4, 0, 1, 0, 0, 0]);
        file.extend(value.to_le_bytes());
    }
    file.extend([0; 4]);
    file.extend(stream);
    if let Ok(d) = decode_bytes(&file, 0, Path::new("relay/0001.dng")) {
        assert_eq!(d.samples.data.len(), 30 * 22);
    }
});
