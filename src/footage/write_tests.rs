//! Tests of [`super`].

use super::*;
use std::fs;

#[test]
fn files_are_complete_and_hashed() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("000001.tif");
    let w = write_bytes(&path, b"first").unwrap();
    assert_eq!((w.bytes, w.hash.as_str()), (5, hash_bytes(b"first").as_str()));
    let w = write_bytes(&path, b"second").unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"second");
    assert_eq!(hash_file(&path).unwrap(), w);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn blake3_is_the_published_one() {
    // Hash of no bytes, from the official test vectors (input_len 0, first 32 bytes).
    assert_eq!(hash_bytes(b""), "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262");
}

#[test]
fn a_failed_write_leaves_the_old_file_and_no_temp() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("000001.tif");
    write_bytes(&path, b"good").unwrap();
    let failed = write_atomic(&path, |w| {
        w.write_all(b"half")?;
        Err(io::Error::from(io::ErrorKind::StorageFull))
    });
    assert!(failed.unwrap_err().to_string().contains("could not write"));
    assert_eq!(fs::read(&path).unwrap(), b"good");
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn a_missing_folder_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let text = write_bytes(&dir.path().join("no/000001.tif"), b"x").unwrap_err().to_string();
    assert!(text.contains("000001.tif") && text.contains("create"), "{text}");
}
