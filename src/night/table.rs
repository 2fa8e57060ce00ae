//! `frames.csv`: one row a source frame.

use std::fmt::Write as _;

use crate::engine::analysis::FrameFacts;
use crate::frame::units::FrameRate;

/// The columns, in their order.
pub const HEADER: &str = "frame,time_s,shift_x_px,shift_y_px,rotation_mrad,shift_sigma_px,\
                          light_gain,noise_e,status";

/// One row.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    /// What the first pass knows.
    pub facts: &'a FrameFacts,
    /// Whether poses mean something.
    pub locked: bool,
    /// Noise left in electrons, where known.
    pub noise_e: Option<f64>,
    /// Whether making the frame failed.
    pub failed: bool,
}

/// The whole table.
#[must_use]
pub fn table(rows: &[Row<'_>], rate: Option<FrameRate>, trigger: u64) -> String {
    let mut out = String::with_capacity(80 * rows.len() + 120);
    out.push_str(HEADER);
    out.push('\n');
    for r in rows {
        let f = r.facts;
        let time =
            rate.map_or(String::new(), |rate| format!("{:.9}", rate.time_s(f.frame, trigger)));
        let noise = r.noise_e.map_or(String::new(), |n| format!("{n:.4}"));
        let status = if r.failed { "unreadable" } else { f.status.word() };
        let pose = if r.locked {
            let turn = if f.turn.is_none() {
                "0".to_owned()
            } else {
                format!("{:.4}", 1e3 * f.turn.angle)
            };
            format!("{:.4},{:.4},{turn},{:.4}", f.shift[0], f.shift[1], f.sigma)
        } else {
            "0,0,0,".to_owned()
        };
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{},{time},{pose},{:.6},{noise},{status}", f.frame, f.light);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::turn::Turn;
    use crate::record::FrameStatus;

    #[test]
    fn rows_have_as_many_fields_as_the_header() {
        let facts = FrameFacts {
            frame: 7,
            status: FrameStatus::LowConfidence,
            shift: [1.25, -0.5],
            turn: Turn { angle: -0.00125, stretch: 0.0 },
            sigma: 0.0123,
            light: 0.98,
            light_sigma: 0.0,
            uneven: None,
            hash: None,
            fault: None,
        };
        let row = Row { facts: &facts, locked: true, noise_e: Some(0.75), failed: false };
        let text = table(&[row], FrameRate::new(30000, 1001), 10);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0].split(',').count(), lines[1].split(',').count());
        assert_eq!(
            lines[1],
            "7,-0.100100000,1.2500,-0.5000,-1.2500,0.0123,0.980000,0.7500,low-confidence"
        );
    }
}
