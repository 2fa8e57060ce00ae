//! A music box through a macro lens: comb, plucked tine, pinned cylinder, bed plate.
//!
//! The picture is a function of real coordinates (see [`super::texture`]): edges and lines are
//! soft over about two pixels, grain stays below 0.35 cycles a pixel, so a view at any sub-pixel
//! shift is made by evaluation, never by resampling. Measured on still parts: about 0.1 to 0.3 %
//! of the energy lies above 0.35 cycles a pixel. Geometry is laid out on a 640 x 400 sheet
//! and scaled to the wanted size; grain and softness keep their size in pixels.
//!
//! Still: bed plate with an engraved rule (0.1 mm a tick), screw, the tines but one. Moving: the
//! cylinder, which turns in eased steps, and one tine, which a pin lifts and lets go at time 0:
//! `y(t) = -A cos(2 pi f1 t) exp(-t / tau)` at the tip, the lowest bending mode along the tine.
//! Shadows of moving parts on still ones are left out, so that "still" is exact.

use std::f64::consts::TAU;

use rand::Rng as _;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use super::texture::{FINEST_STEP_PX, SplineNoise};
use super::{Scene, SimulateError, View, demand};
use crate::frame::Plane;
use crate::frame::convert::to_f32;
use crate::optics::{Tine, cantilever_shape};

/// Width of the sheet the scene is laid out on.
const SHEET: (f64, f64) = (640.0, 400.0);
/// Object size of a unit of the sheet in metres.
pub const SHEET_UNIT_M: f64 = 10e-6;
/// Cylinder: axis, radius, on the sheet.
const AXIS_X: f64 = -90.0;
const RADIUS: f64 = 240.0;
/// Pins: length beyond the cylinder, radius.
const PIN: (f64, f64) = (15.0, 4.6);
/// Tines: tip, first centre, pitch, half width of the top face, height of the front face.
const TIP_X: f64 = 156.0;
const FIRST_TINE_Y: f64 = 148.0;
const PITCH: f64 = 66.0;
const HALF: f64 = 19.0;
const FRONT: f64 = 13.0;
const TINES: usize = 5;
/// The tine that rings.
const PLUCKED: usize = 2;
/// Half width of the sharpest edge in pixels: the lens's blur, and what keeps edges from aliasing.
const BLUR_PX: f64 = 1.25;
/// Part of a step in which the cylinder turns.
const TURNING: f64 = 0.7;
/// Upper edge of the bed plate, and the screw in it (x, y, radius).
const BED_TOP: f64 = 15.0;
const SCREW: (f64, f64, f64) = (505.0, 70.0, 40.0);

/// What the music box does.
#[derive(Debug, Clone, PartialEq)]
pub struct MusicBoxSettings {
    /// Width and height of the views in pixels.
    pub size: (usize, usize),
    /// The plucked tine; plain steel 19.25 x 0.2 mm rings at 440 Hz.
    pub tine: Tine,
    /// Deflection of its tip when the pin lets go, in units of the 640 x 400 sheet.
    pub pluck: f64,
    /// Time in which the ringing falls to 1/e, in seconds.
    pub decay_s: f64,
    /// Seconds from one step of the cylinder to the next.
    pub step_s: f64,
    /// Angle of one step in radians.
    pub step_rad: f64,
    /// Seed of the textures and pins.
    pub seed: u64,
}

impl Default for MusicBoxSettings {
    fn default() -> Self {
        Self {
            size: (640, 400),
            tine: Tine::steel(19.25e-3, 0.2e-3),
            pluck: 9.0,
            decay_s: 12e-3,
            step_s: 10e-3,
            step_rad: 0.09,
            seed: 3,
        }
    }
}

/// The scene, ready to be looked at.
#[derive(Debug, Clone)]
pub struct MusicBox {
    settings: MusicBoxSettings,
    /// Pixels a sheet unit.
    scale: f64,
    frequency_hz: f64,
    pins: Vec<(f64, f64)>,
    sheen_x: Vec<f64>,
    brush: SplineNoise,
    grain: SplineNoise,
}

/// One pin as it stands in a view: foot, tip, cosine of its angle to the camera.
#[derive(Debug, Clone, Copy)]
struct PinView {
    foot: (f64, f64),
    tip: (f64, f64),
    facing: f64,
}

/// What is the same for a whole view.
#[derive(Debug)]
struct Moment {
    angle: f64,
    /// Deflection of the plucked tine's tip.
    deflection: f64,
    /// Width of the sharpest edge in sheet units.
    sharp: f64,
}

/// A point of the view: on the sheet, and in pixels for the grain.
#[derive(Debug, Clone, Copy)]
struct Point {
    x: f64,
    y: f64,
    px: f64,
    py: f64,
}

impl MusicBox {
    /// A music box.
    ///
    /// # Errors
    /// Where a setting is outside its range.
    pub fn new(settings: &MusicBoxSettings) -> Result<Self, SimulateError> {
        let s = settings;
        let (width, height) = s.size;
        demand(
            width >= 16 && height >= 16,
            "picture",
            format!("{width}x{height}"),
            "16x16 or larger",
        )?;
        demand(s.decay_s > 0.0, "decay", s.decay_s, "above 0 s")?;
        demand(s.step_s > 0.0, "step of the cylinder", s.step_s, "above 0 s")?;
        let frequency_hz = s.tine.frequency_hz(0).ok_or(SimulateError::BadSetting {
            what: "tine",
            found: format!("{} m x {} m", s.tine.length_m, s.tine.thickness_m),
            expected: "longer and thicker than 0",
        })?;
        let scale = (width as f64 / SHEET.0).max(height as f64 / SHEET.1);
        let mut rng = ChaCha8Rng::seed_from_u64(s.seed);
        let sheen_x = (0..TINES).map(|_| 310.0 + 90.0 * rng.random::<f64>()).collect();
        let pins = plant_pins(&mut rng);
        Ok(Self {
            settings: s.clone(),
            scale,
            frequency_hz,
            pins,
            sheen_x,
            brush: SplineNoise::new(s.seed.wrapping_mul(2).wrapping_add(11)),
            grain: SplineNoise::new(s.seed.wrapping_mul(2).wrapping_add(12)),
        })
    }

    /// Frequency of the plucked tine in hertz.
    #[must_use]
    pub fn frequency_hz(&self) -> f64 {
        self.frequency_hz
    }

    /// Object size of a pixel in metres.
    #[must_use]
    pub fn pixel_m(&self) -> f64 {
        SHEET_UNIT_M / self.scale
    }

    /// Deflection of the plucked tine's tip in pixels, positive down; 0 is its rest.
    #[must_use]
    pub fn tip_px(&self, time_s: f64) -> f64 {
        self.scale * self.deflection(time_s)
    }

    /// Rest position of the plucked tine's tip in pixels in a view without shift.
    #[must_use]
    pub fn tip_at_px(&self) -> (f64, f64) {
        (self.scale * TIP_X, self.scale * tine_y(PLUCKED))
    }

    /// Angle of the cylinder in radians; its front moves right as it grows. Turning ends at 0.
    #[must_use]
    pub fn angle(&self, time_s: f64) -> f64 {
        let steps = time_s / self.settings.step_s + TURNING;
        let whole = steps.floor();
        self.settings.step_rad * (whole - 1.0 + ease((steps - whole) / TURNING))
    }

    fn deflection(&self, time_s: f64) -> f64 {
        let s = &self.settings;
        if time_s < 0.0 {
            // The pin pushes during the last half of the turn, then slips off.
            let lift_s = 0.5 * TURNING * s.step_s;
            return -s.pluck * ease(1.0 + time_s / lift_s);
        }
        -s.pluck * libm::cos(TAU * self.frequency_hz * time_s) * libm::exp(-time_s / s.decay_s)
    }

    /// Light and part that moves at a point.
    fn shade(&self, p: Point, m: &Moment, shape: f64, pins: &[PinView]) -> (f64, f64) {
        let lamp = lamp(p);
        let mut stack = Stack::new();
        for pin in pins {
            if let Some((value, cover)) = pin_light(p, pin, m.sharp) {
                stack.put(value * lamp, cover, true);
            }
        }
        let bend = m.deflection * shape;
        // The lifted tine comes first: it is nearest.
        for j in [PLUCKED, 0, 1, 3, 4] {
            let moves = j == PLUCKED;
            let dy = p.y - tine_y(j) - if moves { bend } else { 0.0 };
            let cover = tine_cover(p.x, dy, m.sharp);
            if cover > 0.0 && stack.rest > 0.0 {
                let sheen = self.sheen_x[j] + if moves { 4.0 * m.deflection } else { 0.0 };
                let pushed = if moves { bend } else { 0.0 };
                stack.put(self.tine_light(p, dy, sheen, pushed, m.sharp) * lamp, cover, moves);
            }
        }
        let cover = step(p.x - (AXIS_X + RADIUS), 1.3 * m.sharp);
        if cover > 0.0 && stack.rest > 0.0 {
            stack.put(self.cylinder_light(p, m, pins) * lamp, cover, true);
        }
        if stack.rest > 0.0 {
            stack.put(self.bed_light(p, m.sharp) * lamp, 1.0, false);
        }
        (shoulder(stack.light), stack.moving)
    }

    /// Ground steel: a broad sheen along the tine, bright bevels, a dark front face.
    fn tine_light(&self, p: Point, dy: f64, sheen_x: f64, pushed: f64, sharp: f64) -> f64 {
        let blur = tine_blur(p.x);
        let half = tine_half(p.x);
        let sheen = hump((p.x - sheen_x) / 135.0);
        let glint = hump((p.x - TIP_X - 26.0) / 24.0);
        let y = p.py - pushed * self.scale;
        let fine = f64::from(self.grain.at(p.px / FINEST_STEP_PX, y / 3.0 + 40.0));
        let ground = f64::from(self.brush.at(p.px / 3.0, y / 17.0 + 9.0));
        let streak = f64::from(self.brush.at(p.px / 130.0 + 50.0, y / 3.0));
        let v = dy / half;
        let crown = 1.0 - 0.24 * v - 0.16 * v * v + 0.16 * hump((v + 0.25) / 0.35) * sheen;
        let body = (0.10 + 0.47 * sheen + 0.13 * glint) * crown;
        let marks = 0.060 * fine + 0.070 * ground + 0.050 * streak;
        let width = 1.1 * sharp * blur;
        let bevel = line((dy + half - 1.5 * sharp) / width) * (0.10 + 0.52 * sheen + 0.15 * glint);
        let tip = line((p.x - TIP_X - 1.7 * sharp) / (1.1 * sharp)) * 0.22;
        let top = body * (1.0 + marks / (0.6 + 0.4 * blur)) + bevel + tip;
        let ridge = line((dy - half + 0.5) / width) * (0.07 + 0.38 * sheen + 0.10 * glint);
        let down = ((dy - half) / FRONT).clamp(0.0, 1.0);
        let front = (0.030 + 0.07 * sheen) * (1.0 - 0.45 * down) * (1.0 + 0.10 * fine)
            + 0.045 * line((down - 0.86) / (0.11 * sharp));
        let on_top = step(dy - half, sharp * blur);
        front + (top - front) * on_top + ridge
    }

    /// Turned brass: a sheen along the axis, fine rings, grain that moves with the turn.
    fn cylinder_light(&self, p: Point, m: &Moment, pins: &[PinView]) -> f64 {
        let sine = ((p.x - AXIS_X) / RADIUS).clamp(-1.0, 1.0);
        let theta = libm::asin(sine);
        let cosine = (1.0 - sine * sine).max(0.0).sqrt();
        let arc = RADIUS * (theta - m.angle) * self.scale;
        let fade = 1.0 - step(cosine - 0.55, 0.18);
        let rings = f64::from(self.brush.at(arc / 95.0, p.py / FINEST_STEP_PX));
        let fine = f64::from(self.grain.at(arc / 3.7, p.py / 3.0));
        let mark = f64::from(self.grain.at(arc / 13.0 + 90.0, p.py / 3.6 + 30.0));
        let diffuse = libm::cos(theta - 0.55).max(0.0);
        let sheen = hump((theta - 0.62) / 0.26);
        let rim = 0.18 + 0.82 * ease(cosine / 0.62);
        let body =
            (0.03 + 0.15 * diffuse + 0.46 * sheen) * rim + 0.11 * hump((theta - 1.36) / 0.08);
        let groove_y = (p.y / 33.0).rem_euclid(1.0) * 33.0 - 16.5;
        let groove = 1.0 - 0.28 * line(groove_y / (1.2 * m.sharp));
        let shadow = pins.iter().fold(1.0, |light, pin| light * pin_shadow(p, pin));
        let surface = 1.0 + 0.085 * rings * rim + (0.075 * fine + 0.055 * mark) * fade;
        body * surface * groove * shadow
    }

    /// Brushed bed plate with rule and screw, slightly out of focus.
    fn bed_light(&self, p: Point, sharp: f64) -> f64 {
        // Brushed at 18 degrees to the picture.
        let (c, s) = (0.951_056_516_3, 0.309_016_994_4);
        let (a, b) = (p.px * c + p.py * s, p.py * c - p.px * s);
        let brush = f64::from(self.brush.at(a / 170.0, b / 2.9));
        let wide = f64::from(self.brush.at(a / 300.0 + 77.0, b / 7.0));
        let grain = f64::from(self.grain.at(p.px / 3.4, p.py / 3.4));
        let speck = (grain - 2.15).max(0.0);
        let sheen = 0.20 + 0.20 * hump((p.x - 0.5 * p.y - 330.0) / 170.0);
        let plate =
            sheen * (1.0 + 0.11 * brush + 0.03 * wide + 0.09 * grain) + 0.30 * speck * speck;
        let mut light = plate * rule_light(p, sharp);
        light = self.screw_light(p, light, sharp);
        // Soft shadows: of the cylinder, and of the comb that lies above.
        let cylinder = 1.0 - 0.62 * (1.0 - ease((p.x - 140.0) / 80.0));
        let comb = 1.0 - 0.80 * ease((p.y - (FIRST_TINE_Y - HALF) + 14.0) / 26.0);
        light *= cylinder * comb;
        // Behind the plate's upper edge: a chamfer, then darkness far out of focus.
        let behind = 0.035 + 0.06 * hump((p.x - 330.0) / 120.0);
        let edge = 0.42 * line((p.y - BED_TOP - 1.5 * sharp) / (1.6 * sharp));
        let on_plate = step(BED_TOP - p.y, 2.2 * sharp);
        behind + (light + edge - behind) * on_plate
    }

    /// The screw over what lies below it.
    fn screw_light(&self, p: Point, below: f64, sharp: f64) -> f64 {
        let (cx, cy, radius) = SCREW;
        let (x, y) = (p.x - cx, p.y - cy);
        let r = (x * x + y * y).sqrt();
        if r > radius + 34.0 {
            return below;
        }
        let (nx, ny) = if r > 1e-9 { (x / r, y / r) } else { (1.0, 0.0) };
        let cast = ((x - 9.0) * (x - 9.0) + (y - 11.0) * (y - 11.0)).sqrt();
        let ground = below
            * (1.0 - 0.60 * step(cast - radius, 12.0))
            * (1.0 - 0.5 * step(r - radius - 3.0, 3.0));
        let toward = -(0.64 * nx + 0.77 * ny);
        let chamfer = 0.24 + 0.34 * toward + 0.14 * toward * toward;
        // Light on turned rings gathers in a bow tie across the lamp's direction.
        let across = nx * 0.88 - ny * 0.47;
        let tie = across * across * across * across * ease(r / 9.0);
        let rings =
            f64::from(self.grain.at(r * self.scale / FINEST_STEP_PX, 3.0 * across * across));
        let face = (0.23 + 0.42 * tie) * (1.0 + 0.13 * rings * ease(r / 5.0));
        let inner = step(r - radius + 6.5, 1.4 * sharp);
        let mut head = chamfer
            + (face - chamfer) * inner
            + 0.20 * line((r - radius + 6.5) / (1.1 * sharp)) * (0.4 + 0.6 * toward).max(0.0);
        // The slot, turned by 28 degrees: dark floor, lit lower wall.
        let (c, s) = (0.882_947_592_9, 0.469_471_562_8);
        let slot = y * c - x * s;
        let floor = 0.03 + 0.05 * ((slot + 5.0) / 10.0).clamp(0.0, 1.0);
        head += (floor - head) * step(slot.abs() - 5.0, 1.2 * sharp);
        head += 0.45 * line((slot - 5.4) / (1.1 * sharp)) * step(r - radius + 3.0, 2.0 * sharp);
        ground + (head - ground) * step(r - radius, 1.4 * sharp)
    }
}

impl Scene for MusicBox {
    fn size(&self) -> (usize, usize) {
        self.settings.size
    }

    fn view(&self, shift: (f64, f64), time_s: f64) -> View {
        let (width, height) = self.settings.size;
        let moment = Moment {
            angle: self.angle(time_s),
            deflection: self.deflection(time_s),
            sharp: (BLUR_PX / self.scale).max(BLUR_PX),
        };
        let pins: Vec<PinView> =
            self.pins.iter().filter_map(|&pin| stand(pin, moment.angle)).collect();
        let length = self.settings.tine.length_m / SHEET_UNIT_M;
        let columns: Vec<(f64, f64, f64)> = (0..width)
            .map(|x| {
                let px = x as f64 - shift.0;
                let sheet = px / self.scale;
                (px, sheet, cantilever_shape(1.0 - (sheet - TIP_X) / length))
            })
            .collect();
        let mut light = Plane::filled(width, height, 0.0);
        let mut moving = Plane::filled(width, height, 0.0);
        let mut near = Vec::with_capacity(pins.len());
        for row in 0..height {
            let py = row as f64 - shift.1;
            let y = py / self.scale;
            near.clear();
            near.extend(pins.iter().filter(|pin| (y - pin.foot.1 - 2.0).abs() < 26.0).copied());
            let out = light.row_mut(row).iter_mut().zip(moving.row_mut(row));
            for ((l, m), &(px, x, shape)) in out.zip(&columns) {
                let (value, part) = self.shade(Point { x, y, px, py }, &moment, shape, &near);
                (*l, *m) = (to_f32(value), to_f32(part));
            }
        }
        View { light, moving }
    }
}

/// Layers from front to back.
struct Stack {
    light: f64,
    moving: f64,
    /// What still shows of what lies behind.
    rest: f64,
}

impl Stack {
    fn new() -> Self {
        Self { light: 0.0, moving: 0.0, rest: 1.0 }
    }

    fn put(&mut self, light: f64, cover: f64, moves: bool) {
        let part = self.rest * cover;
        self.light += part * light;
        if moves {
            self.moving += part;
        }
        self.rest -= part;
    }
}

/// 1 inside (distance below `-width`), 0 outside (above `width`), smooth between.
fn step(distance: f64, width: f64) -> f64 {
    ease(0.5 - 0.5 * distance / width)
}

/// Smooth from 0 to 1 while `t` goes from 0 to 1.
fn ease(t: f64) -> f64 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// A soft bump of height 1 at 0 and a quarter of it at 1.
fn hump(q: f64) -> f64 {
    let d = 1.0 + q * q;
    1.0 / (d * d)
}

/// A narrow bump of height 1 at 0 and 1/e at 1. A Gaussian: at a width of 1.3 px it is gone at
/// 0.6 cycles a pixel, where [`hump`] would still alias.
fn line(q: f64) -> f64 {
    if q.abs() > 5.0 { 0.0 } else { libm::exp(-q * q) }
}

/// Bends light near white over, so that highlights stay below 1.
fn shoulder(light: f64) -> f64 {
    if light < 0.8 { light.max(0.0) } else { 0.8 + 0.2 * (1.0 - 0.2 / (light - 0.6)) }
}

/// A soft box at the upper left.
fn lamp(p: Point) -> f64 {
    let (u, v) = ((p.x - 250.0) / 430.0, (p.y - 130.0) / 300.0);
    0.20 + 1.12 / (1.0 + u * u + v * v)
}

/// Centre of tine `j`'s top face.
fn tine_y(j: usize) -> f64 {
    FIRST_TINE_Y + PITCH * j as f64
}

/// How much softer tines are than in the plane of focus, which lies near their tips.
fn tine_blur(x: f64) -> f64 {
    let far = (x - 230.0).max(0.0) / 410.0;
    1.0 + 1.4 * far * far
}

/// Half the width of a tine's top face: it narrows towards the tip.
fn tine_half(x: f64) -> f64 {
    HALF * (0.60 + 0.40 * ease((x - TIP_X) / 52.0))
}

/// Coverage of a tine: a bar with a rounded tip.
fn tine_cover(x: f64, dy: f64, sharp: f64) -> f64 {
    let half = tine_half(x) + FRONT / 2.0;
    let round = 7.0;
    let qx = TIP_X - x + round;
    let qy = (dy - FRONT / 2.0).abs() - half + round;
    if qx > round + 4.0 * sharp || qy > round + 12.0 * sharp {
        return 0.0;
    }
    let (ox, oy) = (qx.max(0.0), qy.max(0.0));
    let distance = (ox * ox + oy * oy).sqrt() + qx.max(qy).min(0.0) - round;
    step(distance, sharp * tine_blur(x))
}

/// A rule engraved in the plate: a tick every 0.1 mm, longer at 0.5 and 1 mm; every 0.5 mm only
/// where pixels are too coarse for more.
fn rule_light(p: Point, sharp: f64) -> f64 {
    let (left, top, width) = (232.0, 46.0, 1.15 * sharp);
    let margin = 12.0 * sharp;
    if p.y < top - margin
        || p.y > top + 40.0 + margin
        || (p.x - left - 100.0).abs() > 100.0 + margin
    {
        return 1.0;
    }
    let spacing = if sharp > 2.0 * BLUR_PX { 5.0 } else { 1.0 };
    let nearest = ((p.x - left) / (10.0 * spacing)).round() * spacing;
    // The neighbours' edges reach over half way.
    [-spacing, 0.0, spacing].into_iter().fold(1.0, |light, side| {
        let tick = nearest + side;
        if !(0.0..=20.0).contains(&tick) {
            return light;
        }
        let length = match (tick % 10.0 < 0.5, tick % 5.0 < 0.5) {
            (true, _) => 40.0,
            (_, true) => 30.0,
            _ => 20.0,
        };
        let d = p.x - left - 10.0 * tick;
        let on = step(top - p.y, 1.2 * sharp) * step(p.y - top - length, 1.2 * sharp);
        light + on * (0.35 * line((d - 1.9 * sharp) / width) - 0.72 * line(d / width))
    })
}

/// Pins on tracks in front of the tines and between them, as (angle, height).
fn plant_pins(rng: &mut ChaCha8Rng) -> Vec<(f64, f64)> {
    let reach = RADIUS + PIN.0;
    // The pin that lets the tine go at time 0 then touches its tip.
    let plucking = libm::asin((TIP_X + 1.0 - AXIS_X) / reach);
    let lean = 0.55 * PIN.0 * libm::cos(plucking);
    let mut pins = vec![(plucking, tine_y(PLUCKED) + 8.0 + lean)];
    for track in 0..13_u32 {
        let y = FIRST_TINE_Y - 3.5 * PITCH / 2.0 + PITCH / 2.0 * f64::from(track);
        let mut theta = -0.6 + 0.5 * rng.random::<f64>();
        // None but the plucking pin stands near the tips around time 0.
        while theta < 1.10 {
            let clear =
                pins.iter().all(|&(t, v)| (t - theta).abs() * RADIUS + (v - y).abs() > 44.0);
            if clear {
                pins.push((theta, y));
            }
            theta += 0.22 + 0.5 * rng.random::<f64>();
        }
    }
    pins
}

/// A pin as it stands after the cylinder turned by `angle`; `None` behind the cylinder.
fn stand(pin: (f64, f64), angle: f64) -> Option<PinView> {
    let (sine, facing) = libm::sincos(pin.0 + angle);
    (facing > -0.2 && sine > 0.0).then(|| PinView {
        foot: (AXIS_X + RADIUS * sine, pin.1),
        tip: (AXIS_X + (RADIUS + PIN.0) * sine, pin.1 - 0.55 * PIN.0 * facing),
        facing: facing.max(0.0),
    })
}

/// Distance of `p` to the line from `a` to `b`: along it (0 to 1) and signed across, positive
/// on the side away from the lamp.
fn beside(p: (f64, f64), a: (f64, f64), b: (f64, f64)) -> (f64, f64, f64) {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length2 = (dx * dx + dy * dy).max(1e-12);
    let (px, py) = (p.0 - a.0, p.1 - a.1);
    let along = ((px * dx + py * dy) / length2).clamp(0.0, 1.0);
    let (ex, ey) = (px - along * dx, py - along * dy);
    let across = (dx * py - dy * px) / length2.sqrt();
    (along, across, (ex * ex + ey * ey).sqrt())
}

/// Light and coverage of a pin; `None` away from it.
fn pin_light(p: Point, pin: &PinView, sharp: f64) -> Option<(f64, f64)> {
    let radius = PIN.1;
    let (along, across, distance) = beside((p.x, p.y), pin.foot, pin.tip);
    let cover = step(distance - radius, sharp);
    if cover <= 0.0 {
        return None;
    }
    let n = (across / radius).clamp(-1.0, 1.0);
    let side =
        (0.10 + 0.20 * (0.5 - 0.5 * n) + 0.45 * line((n + 0.35) / (sharp / radius).max(0.28)))
            * (0.55 + 0.45 * along);
    // The flat end, seen more openly the more the pin points at the camera.
    let (ex, ey) = (p.x - pin.tip.0, p.y - pin.tip.1);
    let open = 0.35 + 0.60 * pin.facing;
    let end = (ex * ex / (open * open) + ey * ey).sqrt() - radius * 0.86;
    let face = 0.62 - 0.05 * (ex + ey);
    let on_end = step(end, 1.1 * sharp);
    Some((side + (face - side) * on_end, cover))
}

/// What a pin's shadow leaves of the light on the cylinder.
fn pin_shadow(p: Point, pin: &PinView) -> f64 {
    let to = (pin.foot.0 + 13.0 * pin.facing, pin.foot.1 + 12.0);
    let (along, _, distance) = beside((p.x, p.y), pin.foot, to);
    1.0 - 0.68 * step(distance - PIN.1 - 1.0, 2.5 + 4.0 * along)
}
