//! The table, the page and the picture of a measured motion.

use std::fmt::Write as _;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::analysis::Sought;
use super::moved::{MotionReport, Step};
use crate::footage::{OutFrame, printable};
use crate::frame::FixedPlane;
use crate::frame::convert::{round_isize, round_u16, signed};
use crate::math::robust::quantile;
use crate::measure::Series;
use crate::measure::follow::on_object;
use crate::measure::ring::Measured;

/// Columns of `motion.csv`. "along" is along the direction told.
pub(super) const HEADER: &str = "frame,time_s,shift_x_px,shift_y_px,sigma_x_px,sigma_y_px,\
                                 along_px,along_sigma_px,along_um,along_sigma_um,\
                                 speed_px_s,speed_sigma_px_s,\
                                 acceleration_px_s2,acceleration_sigma_px_s2,\
                                 rotation_mrad,rotation_sigma_mrad,status";

/// One row a frame; fields of frames without the part are empty.
pub(super) fn table(report: &MotionReport, steps: &[Step], series: &Series) -> String {
    let mut out = String::from(HEADER);
    out.push('\n');
    let mut samples = series.samples().iter().enumerate();
    for s in steps {
        let _ = write!(out, "{},{:.9},", s.frame, s.time_s);
        match s.found.and_then(|f| samples.next().map(|sample| (f, sample))) {
            Some((f, (i, sample))) => {
                let um = report.on_object.as_ref().map_or_else(String::new, |o| {
                    let sigma = o.sigma_um_per_px.unwrap_or(0.0);
                    let (v, u) = on_object(sample.value, sample.sigma, o.um_per_px, sigma);
                    format!("{v:.6},{u:.6}")
                });
                let um = if um.is_empty() { ",".to_owned() } else { um };
                let motion = report.told.motion.get(i).map_or_else(
                    || ",,,".to_owned(),
                    |m| {
                        format!(
                            "{:.4},{:.4},{:.2},{:.2}",
                            m.velocity, m.velocity_sigma, m.acceleration, m.acceleration_sigma
                        )
                    },
                );
                let _ = write!(
                    out,
                    "{:.5},{:.5},{:.5},{:.5},{:.5},{:.5},{um},{motion},",
                    f.shift[0], f.shift[1], f.sigma[0], f.sigma[1], sample.value, sample.sigma
                );
            }
            None => out.push_str(",,,,,,,,,,,,"),
        }
        match s.rotation {
            Some(r) => {
                let _ = writeln!(out, "{:.4},{:.4},{}", 1e3 * r.value, 1e3 * r.sigma, s.status);
            }
            None => {
                let _ = writeln!(out, ",,{}", s.status);
            }
        }
    }
    out
}

/// A value and its uncertainty with as many figures as that has two, and a unit.
#[must_use]
pub(super) fn shown(m: Measured, factor: f64, unit: &str) -> String {
    let (value, sigma) = (m.value * factor, (m.sigma * factor).abs());
    let places = if sigma > 0.0 && sigma.is_finite() {
        (1.0 - libm::floor(libm::log10(sigma))).clamp(0.0, 12.0)
    } else {
        4.0
    };
    let places = crate::frame::convert::round_usize(places);
    format!("{value:.places$} \u{b1} {sigma:.places$} {unit}").trim_end().to_owned()
}

/// Names and values for people, in order.
struct Lines<'a> {
    report: &'a MotionReport,
    /// Micrometres a pixel; 1 where lengths are in pixels.
    um: f64,
    out: Vec<(String, String)>,
}

impl MotionReport {
    /// What was found, in words and values for people; +- is one standard uncertainty.
    #[must_use]
    pub fn lines(&self) -> Vec<(String, String)> {
        let um = self.on_object.as_ref().map_or(1.0, |o| o.um_per_px);
        let mut lines = Lines { report: self, um, out: Vec::new() };
        lines.part();
        lines.event();
        lines.ring_down();
        lines.repeating();
        lines.speed();
        lines.out
    }
}

impl Lines<'_> {
    fn add(&mut self, name: &str, value: String) {
        self.out.push((name.to_owned(), value));
    }

    /// A length, or what has one in it; the scale's own uncertainty goes in.
    fn length(&self, m: Measured, (factor, unit): (f64, &str), in_px: &str) -> String {
        match &self.report.on_object {
            Some(o) => {
                let own = o.sigma_um_per_px.unwrap_or(0.0);
                let (value, sigma) = on_object(m.value, m.sigma, self.um, own);
                shown(Measured { value, sigma }, factor, unit)
            }
            None => shown(m, 1.0, in_px),
        }
    }

    fn part(&mut self) {
        let r = self.report;
        self.add("part found", format!("in {} of {} frames", r.followed, r.frames));
        let direction = format!("{:.1} degrees (0 right, 90 down, -90 up)", r.direction_deg);
        self.add("direction", direction);
        let px = format!("{:.4} px", r.sigma_px);
        let text = match &r.on_object {
            Some(_) => format!("{px}, {:.4} um", r.sigma_px * self.um),
            None => px,
        };
        self.add("uncertainty of a displacement", text);
    }

    fn event(&mut self) {
        match &self.report.told.event {
            Sought::Found(e) => {
                self.add("event starts", shown(e.start.time_s, 1e3, "ms"));
                self.add("event ends", shown(e.end.time_s, 1e3, "ms"));
                self.add("event lasts", shown(e.duration_s, 1e3, "ms"));
                let travel = self.length(e.travel, (1.0, "um"), "px");
                self.add("event moves it by", travel);
            }
            Sought::Refused(why) => self.add("event", format!("none: {why}")),
        }
    }

    fn ring_down(&mut self) {
        let r = match &self.report.told.ring_down {
            Sought::Found(r) => r,
            Sought::Refused(why) => return self.add("ring-down", format!("none: {why}")),
        };
        for (i, m) in r.fit.modes.iter().enumerate() {
            let name = |what: &str| format!("mode {}, {what}", i + 1);
            self.add(&name("frequency"), shown(m.frequency_hz, 1.0, "Hz"));
            let f = m.frequency_hz.value;
            let faster = format!("{:.0} and {:.0} Hz", r.rate_hz - f, r.rate_hz + f);
            let words = format!("{faster} look alike at {:.0} frames a second", r.rate_hz);
            self.add(&name("aliases"), words);
            match (m.damping_ratio, m.tau_s, m.tau_above_s) {
                (Some(ratio), Some(tau), _) => {
                    self.add(&name("damping ratio"), shown(ratio, 1.0, ""));
                    self.add(&name("time constant"), shown(tau, 1e3, "ms"));
                }
                (_, _, Some(least)) => {
                    self.add(&name("time constant"), format!("more than {:.3} ms", 1e3 * least));
                }
                _ => {}
            }
            let amplitude = self.length(m.amplitude, (1.0, "um"), "px");
            self.add(&name("amplitude"), amplitude);
        }
        let part = format!("{:.3} to {:.3} ms", 1e3 * r.from_s, 1e3 * r.to_s);
        self.add("ring-down taken from", part);
    }

    fn repeating(&mut self) {
        match &self.report.told.repeating {
            Sought::Found(r) => {
                let rate = format!("{}, {} times", shown(r.rate_hz, 1.0, "Hz"), r.count);
                self.add("repeats", rate);
                self.add("scatter of its times", format!("{:.4} ms", 1e3 * r.jitter_s));
                self.add("limp", shown(r.limp_s, 1e3, "ms"));
            }
            Sought::Refused(why) => self.add("repeats", format!("no: {why}")),
        }
    }

    fn speed(&mut self) {
        // Shorter peaks than that are flattened.
        let over = format!(" over {} frames", 2 * self.report.told.window + 1);
        if let Some(v) = self.report.told.peak_speed {
            let text = self.length(v, (1e-3, "mm/s"), "px/s");
            self.add("largest speed", text + &over);
        }
        if let Some(a) = self.report.told.peak_acceleration {
            let text = self.length(a, (1e-6, "m/s^2"), "px/s^2");
            self.add("largest acceleration", text + &over);
        }
        if let Some(r) = self.report.peak_rotation_rad {
            let way = if r.value < 0.0 { "counter-clockwise" } else { "clockwise" };
            let size = Measured { value: r.value.abs(), ..r };
            self.add("largest rotation", format!("{} {way}", shown(size, 1e3, "mrad")));
        }
        if let Some(frame) = self.report.rotation_until {
            let found = format!("until frame {frame}, with the part's place");
            self.add("rotation followed", found);
        }
    }
}

const STYLE: &str = "body{font:16px/1.5 sans-serif;max-width:62rem;margin:2rem auto;padding:0 1rem}\
                     th{text-align:left;font-weight:normal;padding-right:2rem}\
                     svg{max-width:100%;height:auto}";

/// A page that needs nothing else: plot, numbers, notes.
pub(super) fn page(report: &MotionReport, svg: &Markup) -> String {
    let title = format!("{}: motion", printable(&report.clip));
    let row = if report.row_time_s.is_some() { ", in the part's own row" } else { "" };
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            meta charset="utf-8";
            title { (title) }
            style { (PreEscaped(STYLE)) }
            h1 { (title) }
            (svg)
            table {
                @for (name, value) in report.lines() { tr { th { (name) } td { (value) } } }
            }
            p {
                "\u{b1} is one standard uncertainty. Times are those at which a frame's exposure \
                 begins" (row) "."
            }
            ul {
                @for w in &report.warnings {
                    li { (printable(&w.text)) ": " (printable(&w.advice)) }
                }
            }
            p { img src="region.png" alt="the region and the part's path in the first frame"; }
        }
    };
    page.into_string()
}

/// Colours: the region's frame, and the path of its middle.
const FRAME: [f32; 3] = [1.0, 0.45, 0.0];
const PATH: [f32; 3] = [0.1, 0.9, 0.3];

/// The first picture in grey, with the region and the path of its middle drawn in.
pub(super) fn picture(
    first: &FixedPlane,
    [x, y, w, h]: [usize; 4],
    steps: &[Step],
    span: usize,
) -> OutFrame {
    let plane = first.to_plane();
    let mut sorted = plane.data().to_vec();
    let low = quantile(&mut sorted, 0.005).unwrap_or(0.0);
    let high = quantile(&mut sorted, 0.995).unwrap_or(1.0);
    let scale = 0.9 / (high - low).max(f32::MIN_POSITIVE);
    let mut rgb: Vec<[f32; 3]> = plane
        .data()
        .iter()
        // A square root for the eye: linear light looks too dark.
        .map(|v| [((v - low) * scale + 0.05).clamp(0.0, 1.0).sqrt(); 3])
        .collect();
    let mut dot = |px: isize, py: isize, colour: [f32; 3]| {
        let place = usize::try_from(px).ok().zip(usize::try_from(py).ok());
        if let Some((px, py)) = place.filter(|(px, py)| *px < first.width && *py < first.height) {
            rgb[py * first.width + px] = colour;
        }
    };
    let (x, y, w, h) = (signed(x), signed(y), signed(w), signed(h));
    for i in 0..w {
        dot(x + i, y, FRAME);
        dot(x + i, y + h - 1, FRAME);
    }
    for i in 0..h {
        dot(x, y + i, FRAME);
        dot(x + w - 1, y + i, FRAME);
    }
    for f in steps.iter().filter_map(|s| s.found) {
        let [dx, dy] = f.shift.map(|v| round_isize(v / span as f64));
        dot(x + w / 2 + dx, y + h / 2 + dy, PATH);
    }
    let data = rgb.into_iter().flat_map(|c| c.map(|v| round_u16(65_535.0 * v))).collect();
    OutFrame { width: first.width, height: first.height, channels: 3, data }
}
