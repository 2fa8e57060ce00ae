//! The first pass in parts: what machines found in runs of blocks, put together.
//!
//! A part holds per-frame numbers only; everything that looks at the whole clip (the lamp's
//! ripple, gaps filled from neighbours, the bright level, warnings) happens in [`join`], in frame
//! order and in one thread, so that the result does not depend on how the clip was cut.

use serde::{Deserialize, Serialize};

use super::EngineError;
use super::analysis::{Analysis, FrameFacts, RowFacts, add_once};
use super::lamps::{Gaps, lamps};
use super::source::Source;
use crate::math::turn::Turn;
use crate::record::{FrameStatus, Warning};
use crate::register::path::{fill_gaps, stood_still};
use crate::register::{Pose, block};

/// What one block gave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlockFacts {
    /// Which block of the clip, counted from 0.
    pub block: usize,
    /// Its frames.
    pub frames: Vec<FrameFacts>,
    /// Its bright level in DN above black.
    pub bright_dn: f32,
    /// The same of red, green and blue, of clips in colour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colours_dn: Option<[f32; 3]>,
    /// Whether it locked, or why not; `None` where poses were not asked for.
    pub lock: Option<Result<(), String>>,
    /// Where it is the one that all others are tied to.
    pub first: Option<FirstFacts>,
    /// What decoders and stages said.
    pub warnings: Vec<Warning>,
}

/// What only the block says that all others are tied to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FirstFacts {
    /// Part of the frame that is still background.
    pub still_share: f64,
    /// Mean squared misfit in units of the noise model.
    pub misfit: f64,
    /// Offsets of rows, where they matter.
    pub rows: Option<RowFacts>,
    /// Pattern of the sensor that the corrections left, rms in DN, where it matters.
    #[serde(default)]
    pub pattern_dn: Option<f64>,
}

/// The block that poses are measured against, as one machine had it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reference {
    /// Which block.
    pub block: usize,
    /// [`block::Block::hash`].
    pub hash: String,
}

/// What was found in a run of blocks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// The blocks, in order.
    pub blocks: Vec<BlockFacts>,
    /// What their poses were measured against; `None` where no block up to here locked.
    pub reference: Option<Reference>,
}

fn refused(what: &str) -> EngineError {
    EngineError::Refused(format!("the parts of the analysis do not fit: {what}"))
}

/// The analysis of a clip from its parts, given in any order.
///
/// # Errors
/// [`EngineError::Refused`] where a block is missing or there twice, where its frames are not
/// those of the clip, or where parts were measured against different references.
pub fn join(source: &Source, mut parts: Vec<Part>) -> Result<Analysis, EngineError> {
    parts.sort_by_key(|p| p.blocks.first().map_or(0, |b| b.block));
    let numbers: Vec<u64> = source.list().into_iter().map(|(n, _)| n).collect();
    check(&numbers, &parts)?;
    let mut out = Analysis {
        frames: Vec::with_capacity(numbers.len()),
        locked: false,
        no_lock: Vec::new(),
        still_share: 0.0,
        misfit: 1.0,
        bright_dn: 0.0,
        colours_dn: None,
        ripple: None,
        lamps: None,
        rows: None,
        pattern_dn: None,
        row_model: None,
        warnings: Vec::new(),
    };
    for mut b in parts.into_iter().flat_map(|p| p.blocks) {
        for w in b.warnings {
            add_once(&mut out.warnings, w);
        }
        out.bright_dn = out.bright_dn.max(b.bright_dn);
        if let Some(levels) = b.colours_dn {
            let highest = out.colours_dn.get_or_insert(levels);
            highest.iter_mut().zip(levels).for_each(|(h, l)| *h = h.max(l));
        }
        if let Some(first) = b.first {
            out.still_share = first.still_share;
            out.misfit = first.misfit;
            out.rows = first.rows;
            out.pattern_dn = first.pattern_dn;
        }
        match b.lock {
            // A block without a frame that can be read has locked to nothing.
            Some(Ok(())) => out.locked |= b.frames.iter().any(FrameFacts::usable),
            Some(Err(why)) => out.no_lock.push(why),
            None => {}
        }
        out.frames.append(&mut b.frames);
    }
    let gaps = if out.locked { lamps(source, &mut out) } else { Gaps::default() };
    settle(&mut out);
    gaps.fill(&mut out);
    Ok(out)
}

/// Refuses gaps, overlaps and contradictions.
fn check(numbers: &[u64], parts: &[Part]) -> Result<(), EngineError> {
    let grid = block::grid(numbers.len());
    let blocks: Vec<&BlockFacts> = parts.iter().flat_map(|p| &p.blocks).collect();
    for (k, b) in blocks.iter().enumerate() {
        if b.block < k {
            return Err(refused(&format!("block {} is there twice, or out of order", b.block)));
        }
        if b.block > k {
            return Err(refused(&format!("block {k} is missing")));
        }
        let wanted = grid.get(k).and_then(|r| numbers.get(r.clone())).unwrap_or_default();
        if !b.frames.iter().map(|f| f.frame).eq(wanted.iter().copied()) {
            return Err(refused(&format!("block {k} has not the frames of the clip")));
        }
    }
    if blocks.len() < grid.len() {
        return Err(refused(&format!("block {} is missing", blocks.len())));
    }
    let mut firsts = blocks.iter().filter(|b| b.first.is_some()).map(|b| b.block);
    let first = firsts.next();
    if let Some(other) = firsts.next() {
        return Err(refused(&format!("block {other} is said to be the reference too")));
    }
    let said = parts.iter().filter_map(|p| p.reference.as_ref());
    let known = said.clone().next();
    for p in parts.iter().filter(|p| !p.blocks.is_empty()) {
        let after = first.is_some_and(|f| p.blocks.iter().any(|b| b.block >= f));
        let right = match &p.reference {
            Some(r) => after && first == Some(r.block) && Some(r) == known,
            None => !after,
        };
        if !right {
            let at = p.blocks.first().map_or(0, |b| b.block);
            return Err(refused(&format!(
                "the part from block {at} on was measured against another reference: analyse it \
                 again; if that does not help, the machines do not agree, or frames change"
            )));
        }
    }
    Ok(())
}

/// Poses for frames that were not measured, from their neighbours; and what to say of it.
fn settle(out: &mut Analysis) {
    let known: Vec<Option<Pose>> = out
        .frames
        .iter()
        .map(|f| {
            (out.locked && f.usable() && f.status != FrameStatus::LowConfidence).then(|| f.pose())
        })
        .collect();
    let filled = fill_gaps(&known).map(|mut poses| {
        // A camera that stood still: its frames stay as they are, to the last bit.
        if stood_still(&poses) {
            poses.iter_mut().for_each(|p| p.shift = [0.0, 0.0]);
        }
        poses
    });
    if let Some(filled) = filled {
        for (f, p) in out.frames.iter_mut().zip(filled) {
            f.shift = p.shift;
            f.turn = p.turn;
            f.sigma = p.sigma;
            f.light = p.light;
        }
    } else {
        for f in &mut out.frames {
            (f.shift, f.turn, f.sigma, f.light) = ([0.0, 0.0], Turn::NONE, 0.0, 1.0);
        }
    }
    for why in &out.no_lock {
        out.warnings.push(Warning::new(
            "no-lock",
            format!("not steadied: {why}"),
            "name the still background: --region X,Y,W,H, or include in stage steady",
        ));
    }
    if out.misfit > 1.5 {
        out.warnings.push(Warning::new(
            "noise-model",
            format!(
                "frames differ from the scene by {:.2} times the noise that the model gives",
                out.misfit.sqrt()
            ),
            "see that black, white and the references belong to this clip",
        ));
    }
    let count = |status| out.frames.iter().filter(|f| f.status == status).count();
    let (white, usable) = (count(FrameStatus::Saturated), out.frames.iter().filter(|f| f.usable()));
    if 2 * white > usable.count() {
        out.warnings.push(Warning::new(
            "saturated",
            format!("in {white} frames more than 1 % of the picture lies at white or above it"),
            "if the camera was not overexposed, its white level is higher than the one that is used: \
             give it (--white)",
        ));
    }
    let poor = count(FrameStatus::LowConfidence);
    if poor > 0 && out.locked && out.no_lock.is_empty() {
        out.warnings.push(Warning::new(
            "low-confidence",
            format!("{poor} frames could not be placed and lie where their neighbours say"),
            "look at them: where they are dark, more light or a longer exposure helps; where they are \
             white, less",
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::turn::Turn;
    use crate::record::FrameStatus;

    /// Three blocks of a clip of 130 frames from number 10; the middle one locked first.
    fn blocks() -> (Vec<u64>, Vec<BlockFacts>) {
        let numbers: Vec<u64> = (10..140).collect();
        let blocks = block::grid(130).into_iter().enumerate().map(|(k, range)| BlockFacts {
            block: k,
            frames: numbers[range]
                .iter()
                .map(|&frame| FrameFacts {
                    frame,
                    status: FrameStatus::Ok,
                    shift: [0.1, 0.2],
                    turn: Turn::NONE,
                    sigma: 0.01,
                    light: 1.0,
                    light_sigma: 0.0,
                    uneven: None,
                    hash: None,
                    fault: None,
                })
                .collect(),
            bright_dn: 100.0,
            colours_dn: None,
            lock: Some(if k == 0 { Err("no texture".to_owned()) } else { Ok(()) }),
            first: (k == 1).then_some(FirstFacts {
                still_share: 0.5,
                misfit: 1.0,
                rows: None,
                pattern_dn: None,
            }),
            warnings: Vec::new(),
        });
        let blocks = blocks.collect();
        (numbers, blocks)
    }

    fn part(blocks: &[BlockFacts], hash: Option<&str>) -> Part {
        let reference = hash.map(|h| Reference { block: 1, hash: h.to_owned() });
        Part { blocks: blocks.to_vec(), reference }
    }

    #[test]
    fn whole_parts_fit_and_others_are_refused() {
        let (numbers, b) = blocks();
        assert_eq!(b.len(), 3);
        let try_it = |parts: &[Part]| check(&numbers, parts).map_err(|e| e.to_string());
        let (none, h) = (None, Some("h"));
        try_it(&[part(&b, h)]).unwrap();
        try_it(&[part(&b[..1], none), part(&b[1..2], h), part(&b[2..], h)]).unwrap();
        try_it(&[part(&[], none), part(&b[..1], none), part(&b[1..], h)]).unwrap();
        let fails = |parts: &[Part], words: &str| {
            let e = try_it(parts).unwrap_err();
            assert!(e.contains(words), "{e}");
        };
        fails(&[part(&b[..1], none), part(&b[2..], h)], "block 1 is missing");
        fails(&[part(&b[..2], h)], "block 2 is missing");
        fails(&[part(&b[1..], h)], "block 0 is missing");
        fails(&[part(&b[..2], h), part(&b[1..], h)], "block 1 is there twice");
        fails(&[part(&b[..2], h), part(&b[2..], Some("other"))], "another reference");
        fails(&[part(&b[..2], h), part(&b[2..], none)], "another reference");
        fails(&[part(&b[..1], h), part(&b[1..], h)], "another reference");
        let mut other = b.clone();
        other[2].frames[3].frame += 1;
        fails(&[part(&other, h)], "block 2 has not the frames");
        let mut two = b;
        two[2].first = two[1].first.clone();
        fails(&[part(&two, h)], "block 2 is said to be the reference too");
    }
}
