//! Source frames of a clip combined into finished ones, where they are not averaged first; and
//! what a finished frame of several is called.

use super::render::Renderer;
use super::{EngineError, Work};
use crate::footage::FrameFile;
use crate::frame::convert::to_f32;
use crate::frame::units::FrameRate;
use crate::frame::{Frame, Plane};
use crate::record::Notes;
use crate::register::PixelNoise;
use crate::stages::combine::{Group, Sum};
use crate::stages::{Moment, steady};

/// A combined frame, its noise in DN and notes; or why it could not be made.
pub(super) type Made = Result<(Frame, Option<f64>, Notes), String>;

/// A finished frame that several source frames went into.
#[derive(Debug, Clone, PartialEq)]
pub struct Composed {
    /// Its number: that of the first of them.
    pub frame: u64,
    /// Seconds from the trigger frame; `None` where the rate is not known.
    pub time_s: Option<f64>,
    /// Their numbers, in order.
    pub sources: Vec<u64>,
}

impl Renderer<'_> {
    /// What the finished frame of this number is made of; `None` where frames are not combined, or
    /// there is no such frame.
    #[must_use]
    pub fn composed(&self, frame: u64) -> Option<Composed> {
        self.outputs.combine()?;
        let first = self.analysis.frames.first()?.frame;
        let at = usize::try_from(frame.checked_sub(first)?).ok()?;
        if !self.outputs.has(at) {
            return None;
        }
        let group = self.group(at);
        let sources = group.shares.iter().map(|s| self.analysis.frames[s.position].frame).collect();
        Some(Composed { frame, time_s: self.moment(&group).time_s, sources })
    }

    /// All finished frames that are combined, in order.
    #[must_use]
    pub fn all_composed(&self) -> Vec<Composed> {
        let numbers = self.outputs.positions().iter().map(|&i| self.analysis.frames[i].frame);
        numbers.filter_map(|n| self.composed(n)).collect()
    }

    /// Rate of the finished frames.
    #[must_use]
    pub fn finished_rate(&self) -> Option<FrameRate> {
        let n = self.outputs.combine().map_or(1, |c| c.frames());
        self.source.facts.rate.as_ref()?.value.slowed(n)
    }

    /// For how long the (virtual) shutter was open, in seconds: the exposure of a frame where none
    /// are combined.
    #[must_use]
    pub fn exposure_s(&self) -> Option<f64> {
        let facts = &self.source.facts;
        match self.outputs.combine().filter(|c| c.frames() > 1) {
            Some(c) => Some(c.open_frames() * facts.rate.as_ref()?.value.interval_s()),
            None => facts.exposure.as_ref().map(|e| e.value.s()),
        }
    }

    /// The source frames of the finished frame at position `at`.
    pub(super) fn group(&self, at: usize) -> Group {
        self.outputs.group(at, self.analysis)
    }

    /// Which picture a group gives.
    pub(super) fn moment(&self, group: &Group) -> Moment {
        let (frame, past) = (self.analysis.frames[group.lead()].frame, group.past());
        let rate = self.source.facts.rate.as_ref();
        let later = rate.map_or(0.0, |r| 1e-6 * past as f64 * r.value.interval_s());
        let time_s = self.source.time_s(frame);
        Moment { frame, past, time_s: if past == 0 { time_s } else { time_s.map(|t| t + later) } }
    }

    /// Why a group has no picture: frame `i` of it could not be made.
    pub(super) fn fault_of(&self, group: &Group, i: usize, why: &str) -> String {
        if group.shares.len() == 1 {
            return why.to_owned();
        }
        format!("frame {}, which goes into it: {why}", self.analysis.frames[i].frame)
    }

    /// The source frames of a group put together; the noise of the result, in DN.
    pub(super) fn combined(
        &self,
        list: &[(u64, Option<FrameFile>)],
        group: &Group,
        work: &Work<'_>,
    ) -> Result<Made, EngineError> {
        let mut sum: Option<Sum> = None;
        // Variance is signal times the first and read noise times the second.
        let mut squares = [0.0; 2];
        for share in &group.shares {
            work.check()?;
            let frame = match self.single(list, share.position) {
                Ok((frame, _)) => frame,
                Err(why) => return Ok(Err(self.fault_of(group, share.position, &why))),
            };
            let facts = &self.analysis.frames[share.position];
            let to = self.place(facts, self.target.place(share.position), self.window);
            let kept = if self.moved { f64::from(to.noise_gain(frame.layout)) } else { 1.0 };
            let light = if self.divide_light { facts.light } else { 1.0 };
            let square = share.weight * share.weight * kept;
            squares[0] += square / light;
            squares[1] += square / (light * light);
            sum.get_or_insert_with(|| Sum::like(&frame, self.white())).add(&frame, share.weight);
        }
        let Some(sum) = sum else { return Ok(Err("no frame is there".to_owned())) };
        let frame = sum.finish();
        let noise = self.noise_of(&frame, squares);
        Ok(Ok((frame, Some(noise), Notes::default())))
    }

    /// Noise of a combined frame at the median level, in DN.
    fn noise_of(&self, frame: &Frame, [signal, read]: [f64; 2]) -> f64 {
        let of = |(noise, plane): (&PixelNoise, &Plane)| {
            let noise = PixelNoise {
                slope: noise.slope * to_f32(signal),
                floor: noise.floor * to_f32(read),
                ..noise.clone()
            };
            let mut out = plane.clone();
            for (at, v) in out.data_mut().iter_mut().enumerate() {
                *v = noise.variance(*v, at);
            }
            out
        };
        let planes: Vec<Plane> = self.noise.iter().zip(&frame.planes).map(of).collect();
        steady::median_of(&planes.iter().collect::<Vec<_>>()).sqrt()
    }
}
