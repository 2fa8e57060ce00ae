//! What a measured scale is kept as, and how far a rule can be trusted.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::footage::Taken;
use crate::frame::units::Length;
use crate::optics::{
    EngineersScale, MaterialClass, engineers_scale_error_um, rectangular_sigma, rule_error_mm,
};

/// Relative half-width taken for a rule of which nothing is said: stage micrometers are usually
/// within 1 to 2 µm over 1 mm (from memory).
const UNKNOWN: f64 = 0.002;

/// How far a rule's lengths can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Tolerance {
    /// Nothing is known: 0.2 % is taken and warned of.
    #[default]
    Unknown,
    /// Every length is within +- this part of itself.
    Relative(f64),
    /// Any length on it is within +- this.
    Length(Length),
    /// A material measure of length of a class by EU Directive 2004/22/EC.
    Class(MaterialClass),
    /// An engineers' scale by DIN 866.
    Engineers(EngineersScale),
}

impl FromStr for Tolerance {
    type Err = String;

    /// "0.1%", "1.5um", "I", "II", "III", "DIN 866 A" or "DIN 866 B".
    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        match text {
            "I" => return Ok(Self::Class(MaterialClass::I)),
            "II" => return Ok(Self::Class(MaterialClass::II)),
            "III" => return Ok(Self::Class(MaterialClass::III)),
            "DIN 866 A" => return Ok(Self::Engineers(EngineersScale::A)),
            "DIN 866 B" => return Ok(Self::Engineers(EngineersScale::B)),
            _ => {}
        }
        if let Some(percent) = text.strip_suffix('%') {
            return match percent.trim().parse::<f64>() {
                Ok(p) if p > 0.0 && p < 50.0 => Ok(Self::Relative(p / 100.0)),
                _ => Err(format!("\"{text}\" must be above 0 and below 50 %")),
            };
        }
        text.parse::<Length>().map(Self::Length).map_err(|_| {
            format!(
                "\"{text}\" is no tolerance: write per cent (\"0.1%\"), a length (\"1.5um\"), a \
                 class (I, II, III), or \"DIN 866 A\" or \"DIN 866 B\""
            )
        })
    }
}

impl Tolerance {
    /// Relative standard uncertainty of a length of `span_um`: half-width over sqrt(3).
    #[must_use]
    pub fn relative_sigma(self, span_um: f64) -> f64 {
        let half = match self {
            Self::Unknown => UNKNOWN,
            Self::Relative(part) => part,
            Self::Length(length) => length.um() / span_um,
            Self::Class(class) => rule_error_mm(class, span_um * 1e-6) * 1e3 / span_um,
            Self::Engineers(form) => engineers_scale_error_um(form, span_um * 1e-3) / span_um,
        };
        rectangular_sigma(half)
    }

    /// What to say where little is known.
    pub(super) fn warning(self) -> Option<String> {
        match self {
            Self::Unknown => Some(
                "the rule's tolerance is not given: 0.2 % is taken; give it as per cent, as a \
                 length or as the rule's class"
                    .to_owned(),
            ),
            Self::Engineers(_) => Some(
                "the limits of DIN 866 are from memory here (A: 20 um + L/50000, B: 50 um + \
                 L/20000): hold them against the rule's certificate"
                    .to_owned(),
            ),
            Self::Relative(_) | Self::Length(_) | Self::Class(_) => None,
        }
    }
}

/// The first line of a scale file.
pub const MARK: &str = "# object-space size of a pixel, measured by hushframe";

/// A measured scale as clips refer to it. `um_per_px` and `sigma_um_per_px` are what counts; the
/// rest lets people and checks see whether it fits a clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScaleFile {
    /// Micrometres on the object a pixel.
    pub um_per_px: f64,
    /// Its standard uncertainty (k = 1).
    pub sigma_um_per_px: f64,
    /// How it was measured, for people.
    pub how: String,
    /// Name of the picture.
    pub picture: String,
    /// Width of the picture in pixels.
    pub width_px: usize,
    /// Height of the picture in pixels.
    pub height_px: usize,
    /// Magnification it was taken at.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub magnification: Option<f64>,
    /// Binning of the camera.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub binning: Option<u64>,
    /// Length from tick to tick on the rule in µm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pitch_um: Option<f64>,
    /// The same in pixels.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pitch_px: Option<f64>,
    /// Direction of the rule in degrees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub angle_deg: Option<f64>,
}

impl ScaleFile {
    /// The file's text.
    ///
    /// # Errors
    /// Where a number cannot be written, in words.
    pub fn to_toml(&self) -> Result<String, String> {
        let body = toml::to_string(self).map_err(|e| e.to_string())?;
        Ok(format!("{MARK}\n{body}"))
    }

    /// How its picture was taken.
    #[must_use]
    pub fn taken(&self) -> Taken {
        Taken {
            size: Some((self.width_px, self.height_px)),
            magnification: self.magnification,
            binning: self.binning,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tolerances_are_read_and_spread() {
        assert_eq!("II".parse(), Ok(Tolerance::Class(MaterialClass::II)));
        assert_eq!("0.1 %".parse(), Ok(Tolerance::Relative(0.001)));
        assert!("good".parse::<Tolerance>().unwrap_err().contains("class (I, II, III)"));
        assert!("-1%".parse::<Tolerance>().is_err());
        // 1.5 um over 800 um is 0.108 % (GUM 4.3.7, worked by hand).
        let t: Tolerance = "1.5um".parse().unwrap();
        assert!((t.relative_sigma(800.0) - 0.00108).abs() < 5e-6);
        // Class II within a metre: 0.5 mm; over 10 mm that is 5 %, over sqrt(3) 2.9 %.
        let t: Tolerance = "II".parse().unwrap();
        assert!((t.relative_sigma(10_000.0) - 0.0289).abs() < 5e-5);
        assert!(Tolerance::Unknown.warning().is_some() && t.warning().is_none());
        // DIN 866 (from memory): 500 mm within 30 um and 75 um.
        for (text, um) in [("DIN 866 A", 30.0), ("DIN 866 B", 75.0)] {
            let t: Tolerance = text.parse().unwrap();
            let sigma_um = t.relative_sigma(500_000.0) * 500_000.0;
            assert!((sigma_um - um / f64::sqrt(3.0)).abs() < 1e-6, "{sigma_um}");
            assert!(t.warning().unwrap().contains("from memory"));
        }
    }

    #[test]
    fn a_scale_that_does_not_fit_is_refused() {
        let file = ScaleFile {
            um_per_px: 1.003,
            sigma_um_per_px: 0.001,
            how: "test".into(),
            picture: "x10.png".into(),
            width_px: 1280,
            height_px: 800,
            magnification: Some(10.0),
            binning: Some(1),
            pitch_um: None,
            pitch_px: None,
            angle_deg: None,
        };
        let against = |magnification, binning, size| {
            file.taken().disagreement(&Taken { size, magnification, binning })
        };
        assert_eq!(against(Some(10.0), Some(1), Some((1280, 800))), None);
        assert_eq!(against(None, None, None), None);
        assert!(against(Some(20.0), None, None).unwrap().contains("10x"));
        assert!(against(None, Some(2), None).unwrap().contains("binning"));
        assert!(against(None, None, Some((640, 400))).unwrap().contains("640x400"));
        let text = file.to_toml().unwrap();
        assert!(text.contains("um_per_px = 1.003") && !text.contains("pitch_um"), "{text}");
        assert_eq!(toml::from_str::<ScaleFile>(&text).unwrap(), file);
    }
}
