//! What the tests of the stages share.

use super::{ClipInfo, Moment, Scale, Stage, StageDoc};
use crate::frame::{Frame, Layout, Plane};
use crate::record::Notes;

/// Frames that every label must fit: 16:9, 4:3, 1:1, tall, wide and small.
pub(super) const FRAMES: &[(usize, usize)] = &[
    (1920, 1080),
    (1280, 800),
    (1280, 720),
    (1024, 768),
    (640, 400),
    (512, 512),
    (256, 256),
    (160, 120),
    (1080, 1920),
    (720, 1280),
    (800, 1000),
    (120, 160),
    (1280, 256),
];

/// A clip of 1280 x 800 px, mono, 5000 frames a second shown at 25, black 96, white 4096, 1 µm a
/// pixel, frames 0 to 4999.
pub(super) fn clip() -> ClipInfo {
    ClipInfo {
        width: 1280,
        height: 800,
        layout: Layout::Mono,
        rate: Some("5000".parse().unwrap()),
        playback: Some("25".parse().unwrap()),
        combined: 1,
        exposure: None,
        scale: Some(Scale { um_per_px: 1.0, sigma_um_per_px: Some(0.002) }),
        scale_fault: None,
        motion: None,
        cut: None,
        trigger_frame: 0,
        first_frame: 0,
        last_frame: 4999,
        black: 96.0,
        white: 4096.0,
        bright: None,
        noise: None,
    }
}

/// A clip of which nothing is known but its size, layout and levels; frames 0 to 9.
pub(super) fn bare(
    (width, height): (usize, usize),
    layout: Layout,
    (black, white): (f32, f32),
) -> ClipInfo {
    ClipInfo {
        width,
        height,
        layout,
        rate: None,
        playback: None,
        scale: None,
        last_frame: 9,
        black,
        white,
        ..clip()
    }
}

/// [`clip`] at another size.
pub(super) fn sized(width: usize, height: usize) -> ClipInfo {
    ClipInfo { width, height, ..clip() }
}

/// A mono linear frame of `level` DN with the stage's work on it.
pub(super) fn apply(stage: &dyn Stage, clip: &ClipInfo, level: f32) -> Frame {
    apply_at(stage, clip, level, 0)
}

/// The same at `frame`.
pub(super) fn apply_at(stage: &dyn Stage, clip: &ClipInfo, level: f32, frame: u64) -> Frame {
    let mut picture = Frame::mono(Plane::filled(clip.width, clip.height, level));
    let moment = Moment { frame, past: 0, time_s: None };
    stage.apply(&mut picture, &moment, &mut Notes::default()).unwrap();
    picture
}

/// Each default in the description is the one in the settings, and none is missing on either side.
pub(super) fn agrees_with_doc<S: serde::Serialize>(settings: &S, doc: &StageDoc) {
    let table = toml::Table::try_from(settings).unwrap();
    for setting in doc.settings {
        let written = table.get(setting.name).map_or("unset".to_owned(), ToString::to_string);
        assert_eq!(written, setting.default, "{}", setting.name);
    }
    for key in table.keys() {
        assert!(doc.settings.iter().any(|s| s.name == key), "{key} is not described");
    }
}
