//! What a plan knows about: every quantity with its words, unit, range and option.

use std::fmt;

use serde::{Serialize, Serializer};

/// How a quantity's numbers are written and what their unit in data is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Micrometres.
    Length,
    /// Seconds.
    Time,
    /// Frames a second.
    Rate,
    /// Hertz.
    Frequency,
    /// Mains frequency in hertz, 50 or 60.
    Mains,
    /// Metres a second.
    Speed,
    /// Bytes.
    Bytes,
    /// Bytes a second.
    ByteRate,
    /// Pixels, may be a fraction.
    Pixels,
    /// Whole pixels of the sensor.
    WholePixels,
    /// Micrometres a pixel.
    Scale,
    /// Frames.
    Frames,
    /// Bits a sample.
    Bits,
    /// Times (magnification, slow-down).
    Times,
    /// A ratio or number without unit.
    Number,
    /// Per cent.
    Percent,
    /// Electrons.
    Electrons,
    /// Electrons a DN.
    Gain,
    /// Degrees.
    Degrees,
    /// Stops of light.
    Stops,
}

impl Kind {
    /// Unit of the values in data.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Length => "um",
            Self::Time => "s",
            Self::Rate => "fps",
            Self::Frequency | Self::Mains => "Hz",
            Self::Speed => "m/s",
            Self::Bytes => "B",
            Self::ByteRate => "B/s",
            Self::Pixels | Self::WholePixels => "px",
            Self::Scale => "um/px",
            Self::Frames => "frames",
            Self::Bits => "bit",
            Self::Times => "x",
            Self::Number => "",
            Self::Percent => "%",
            Self::Electrons => "e-",
            Self::Gain => "e-/DN",
            Self::Degrees => "deg",
            Self::Stops => "stops",
        }
    }
}

impl Kind {
    /// What stands for a value in the help.
    #[must_use]
    pub fn value_name(self) -> &'static str {
        match self {
            Self::Length | Self::Scale => "LENGTH",
            Self::Time => "TIME",
            Self::Rate => "FPS",
            Self::Frequency | Self::Mains => "HZ",
            Self::Speed => "SPEED",
            Self::Bytes | Self::ByteRate => "SIZE",
            Self::Pixels | Self::WholePixels => "PX",
            Self::Percent => "PERCENT",
            _ => "NUMBER",
        }
    }
}

/// The facts about a quantity.
#[derive(Debug, Clone, Copy)]
pub struct About {
    /// Name in data and, with `-` for `_`, of its option.
    pub key: &'static str,
    /// Name in sentences.
    pub words: &'static str,
    /// How it is written.
    pub kind: Kind,
    /// Least and largest sensible value, in the unit of its kind.
    pub range: (f64, f64),
    /// An example of how to write it; empty for what can only come out of a plan.
    pub example: &'static str,
}

macro_rules! quantities {
    ($($name:ident $key:literal $words:literal $kind:ident $low:literal .. $high:literal $example:literal;)+) => {
        /// A quantity of a plan; the order is the order of a plan's rows.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Quantity {
            $(#[doc = concat!($words, ".")] $name,)+
        }

        impl Quantity {
            /// All of them, in order.
            pub const ALL: &[Self] = &[$(Self::$name,)+];

            /// Its facts.
            #[must_use]
            pub fn about(self) -> About {
                match self {
                    $(Self::$name => About {
                        key: $key,
                        words: $words,
                        kind: Kind::$kind,
                        range: ($low, $high),
                        example: $example,
                    },)+
                }
            }
        }
    };
}

quantities! {
    Width "width" "width of the picture on the sensor in pixels" WholePixels 1.0 .. 1e5 "1280";
    Height "height" "height of the picture on the sensor in pixels" WholePixels 1.0 .. 1e5 "800";
    PixelPitch "pixel_pitch" "pixel pitch" Length 0.1 .. 1000.0 "10um";
    SensorWidth "sensor_width" "width of the sensor used" Length 10.0 .. 1e6 "25.6mm";
    SensorHeight "sensor_height" "height of the sensor used" Length 10.0 .. 1e6 "16mm";
    Magnification "magnification" "magnification" Times 0.001 .. 1000.0 "10";
    MarkedMagnification "marked_magnification" "magnification marked on the objective" Times 0.1 .. 1000.0 "10";
    Tube "tube" "focal length of the tube lens used" Length 1e3 .. 1e7 "180mm";
    DesignTube "design_tube" "focal length of the tube lens designed for" Length 1e3 .. 1e7 "200mm";
    Scale "scale" "object size of a pixel" Scale 1e-4 .. 1e5 "1.003um";
    KnownLength "known_length" "known length in a picture" Length 0.1 .. 1e7 "800um";
    KnownPixels "known_pixels" "its length in pixels" Pixels 1.0 .. 1e6 "1598.4px";
    LengthTolerance "length_tolerance" "how far the known length may be off, either way" Length 0.0 .. 1e6 "1.5um";
    PickSigma "pick_sigma" "standard uncertainty of a point that is picked" Pixels 0.0 .. 100.0 "0.5px";
    LengthError "length_error" "how far the known length may be off, in parts of it" Percent 0.0 .. 1e3 "";
    LengthSigma "length_sigma" "standard uncertainty of the known length" Length 0.0 .. 1e6 "";
    PixelsSigma "pixels_sigma" "standard uncertainty of its length in pixels" Pixels 0.0 .. 1e3 "";
    ScaleSigma "scale_sigma" "standard uncertainty of the scale" Percent 0.0 .. 1e3 "";
    ScaleSigmaUm "scale_sigma_um" "the same on the object" Scale 0.0 .. 1e5 "";
    ScaleExpanded "scale_expanded" "expanded uncertainty of the scale (k = 2)" Percent 0.0 .. 2e3 "";
    PartPixels "part_pixels" "length of a part in pixels" Pixels 0.0 .. 1e6 "250px";
    PartPick "part_pick" "standard uncertainty of that length" Pixels 0.0 .. 1e4 "1px";
    PartLength "part_length" "length of a part" Length 0.0 .. 1e9 "";
    PartSigma "part_sigma" "standard uncertainty of a part's length" Length 0.0 .. 1e9 "";
    Tilt "tilt" "tilt out of the focal plane" Degrees 0.0 .. 89.0 "5";
    TiltLoss "tilt_loss" "length lost to the tilt" Percent 0.0 .. 99.0 "1";
    FieldWidth "field_width" "width of the picture on the object" Length 0.01 .. 1e8 "2.5mm";
    FieldHeight "field_height" "height of the picture on the object" Length 0.01 .. 1e8 "1.6mm";
    FNumber "f_number" "f-number marked on the lens" Number 0.5 .. 256.0 "5.6";
    Pupil "pupil" "pupil magnification" Number 0.05 .. 20.0 "1.4";
    Aperture "aperture" "numerical aperture" Number 1e-4 .. 0.999 "0.28";
    Index "index" "refractive index before the objective" Number 1.0 .. 2.0 "1.33";
    EffectiveFNumber "effective_f_number" "effective f-number at the sensor" Number 0.5 .. 1e5 "";
    OtherFNumber "other_f_number" "effective f-number of another lens" Number 0.5 .. 1e5 "17.9";
    OtherStops "other_stops" "light lost against the other lens" Stops -40.0 .. 40.0 "";
    LightLoss "light_loss" "light lost by focusing close" Stops 0.0 .. 40.0 "";
    Wavelength "wavelength" "wavelength of the light" Length 0.1 .. 20.0 "550nm";
    Rayleigh "rayleigh" "smallest detail resolved on the object" Length 1e-3 .. 1e6 "";
    AiryRadius "airy_radius" "radius of the diffraction disc on the sensor" Length 1e-3 .. 1e6 "";
    AiryPixels "airy_pixels" "radius of the diffraction disc in pixels" Pixels 0.0 .. 1e6 "";
    FinestPitch "finest_pitch" "coarsest pitch that samples all the lens gives" Length 1e-3 .. 1e6 "";
    ObjectFinest "object_finest" "coarsest scale that samples all the lens gives" Scale 1e-6 .. 1e6 "";
    TwoPixels "two_pixels" "scale with two pixels across the smallest detail" Scale 1e-6 .. 1e6 "";
    Circle "circle" "circle of confusion on the sensor" Length 0.1 .. 1000.0 "20um";
    LensDepth "lens_depth" "depth of field" Length 0.0 .. 1e9 "";
    WaveDepth "wave_depth" "depth of field by diffraction alone" Length 0.0 .. 1e9 "";
    OtherDepth "other_depth" "depth of field by another formula in use" Length 0.0 .. 1e9 "";
    ObjectiveDepth "objective_depth" "depth of field" Length 0.0 .. 1e9 "";
    Rate "rate" "frame rate" Rate 0.01 .. 1e7 "5000";
    Interval "interval" "time from frame to frame" Time 1e-7 .. 100.0 "";
    Playback "playback" "playback rate" Rate 0.1 .. 1000.0 "25";
    SlowDown "slow_down" "slow-down" Times 1e-3 .. 1e7 "";
    Exposure "exposure" "exposure" Time 1e-9 .. 100.0 "50us";
    ShutterAngle "shutter_angle" "shutter angle" Degrees 0.0 .. 1e9 "";
    EventLength "event_length" "length of the event" Time 1e-7 .. 1e5 "1.5ms";
    EventFrequency "event_frequency" "frequency of the motion" Frequency 1e-3 .. 1e7 "800Hz";
    EventAmplitude "event_amplitude" "amplitude of the motion" Length 1e-3 .. 1e6 "0.1mm";
    EventSpeed "event_speed" "speed of the motion on the object" Speed 1e-9 .. 1e5 "0.3 m/s";
    FramesAcross "frames_across" "frames across the event" Frames 0.0 .. 1e9 "20";
    FramesPerCycle "frames_per_cycle" "frames in a cycle of the motion" Frames 0.0 .. 1e9 "10";
    DurationSigma "duration_sigma" "standard uncertainty of a duration" Time 1e-9 .. 1e4 "";
    DurationExpanded "duration_expanded" "expanded uncertainty of a duration (k = 2)" Time 1e-9 .. 1e4 "";
    ClockPpm "clock_ppm" "error of the camera's clock in parts of a million" Number 0.0 .. 1e5 "50";
    ClockError "clock_error" "error of a duration by the clock" Time 0.0 .. 1e4 "";
    ElapsedFrames "elapsed_frames" "frames since the trigger" Frames 0.0 .. 1e12 "1234";
    ElapsedTime "elapsed_time" "time since the trigger" Time 0.0 .. 1e12 "";
    EventScreenTime "event_screen_time" "time of the event on the screen" Time 0.0 .. 1e9 "";
    Travel "travel" "way in the time of the event" Length 0.0 .. 1e12 "";
    BlurLimit "blur_limit" "blur allowed" Pixels 1e-3 .. 1000.0 "1px";
    Blur "blur" "motion blur" Pixels 0.0 .. 1e9 "";
    Bits "bits" "bits a sample in the camera's memory" Bits 1.0 .. 32.0 "12";
    Memory "memory" "memory of the camera" Bytes 1.0 .. 1e18 "16GiB";
    FrameBytes "frame_bytes" "size of a frame" Bytes 0.0 .. 1e12 "";
    DataRate "data_rate" "data rate" ByteRate 0.0 .. 1e18 "";
    RecordFrames "record_frames" "frames that fit the memory" Frames 0.0 .. 1e15 "";
    RecordTime "record_time" "length of the recording" Time 1e-9 .. 1e9 "3s";
    LongestRecord "longest_record" "longest recording that fits the memory" Time 1e-9 .. 1e9 "";
    Clips "clips" "clips of that length" Number 1.0 .. 1e6 "60";
    NightBytes "night_bytes" "size of all clips" Bytes 0.0 .. 1e18 "";
    RecordScreenTime "record_screen_time" "time of the recording on the screen" Time 0.0 .. 1e12 "";
    MainsFrequency "mains" "mains frequency" Mains 50.0 .. 60.0 "50";
    LampFrequency "lamp_frequency" "frequency of the lamp's ripple" Frequency 0.0 .. 1e6 "";
    LightMost "light_most" "brightest moment of the lamp" Number 1e-9 .. 1e12 "1.0";
    LightLeast "light_least" "darkest moment of the lamp" Number 0.0 .. 1e12 "0.6";
    Flicker "flicker" "percent flicker of the lamp" Percent 0.0 .. 100.0 "8";
    FlickerIndex "flicker_index" "flicker index of a sine" Number 0.0 .. 1.0 "";
    SquareIndex "square_index" "flicker index of a square wave that is on half the time" Number 0.0 .. 1.0 "";
    LowRiskFlicker "low_risk_flicker" "flicker of low risk to people by IEEE 1789, from memory" Percent 0.0 .. 1e3 "";
    NoEffectFlicker "no_effect_flicker" "flicker without effect on people by IEEE 1789, from memory" Percent 0.0 .. 1e3 "";
    RippleKept "ripple_kept" "part of the ripple that the exposure keeps" Number 0.0 .. 1.0 "";
    FrameFlicker "frame_flicker" "percent flicker from frame to frame" Percent 0.0 .. 100.0 "";
    Alias "alias" "frequency of the ripple in the frames" Frequency 0.0 .. 1e7 "";
    RipplePeriod "ripple_period" "frames in a cycle of the lamp" Frames 0.0 .. 1e9 "";
    ScreenFlicker "screen_flicker" "frequency of the ripple on the screen" Frequency 0.0 .. 1e7 "";
    Photons "photons" "photons on a pixel" Number 1e-3 .. 1e12 "250";
    Efficiency "efficiency" "quantum efficiency" Number 0.001 .. 1.0 "0.6";
    Signal "signal" "electrons in a pixel" Electrons 1e-3 .. 1e9 "150";
    ReadNoise "read_noise" "read noise" Electrons 0.0 .. 1e5 "8";
    Gain "gain" "gain" Gain 1e-5 .. 1e5 "2";
    DarkVariance "dark_variance" "variance of a black frame in DN^2" Number 1e-6 .. 1e12 "16.08";
    DarkMean "dark_mean" "mean of a black frame in DN" Number 0.0 .. 1e9 "100";
    BrightMean "bright_mean" "mean of an even field in DN" Number 0.0 .. 1e9 "1100";
    BrightVariance "bright_variance" "variance of an even field in time, in DN^2" Number 1e-6 .. 1e15 "530";
    StackFrames "stack_frames" "frames in each of the two stacks" Number 2.0 .. 1e6 "16";
    DarkSpread "dark_spread" "spread from pixel to pixel of the mean black frame in DN" Number 0.0 .. 1e9 "1.2";
    BrightSpread "bright_spread" "spread from pixel to pixel of the mean even field in DN" Number 0.0 .. 1e9 "12";
    Dsnu "dsnu" "unevenness in the dark (DSNU)" Electrons 0.0 .. 1e9 "";
    Prnu "prnu" "unevenness of the response (PRNU)" Percent 0.0 .. 1e3 "";
    FullWell "full_well" "full well" Electrons 1.0 .. 1e9 "20000";
    SignalToNoise "signal_to_noise" "signal over noise of one frame" Number 0.0 .. 1e6 "";
    SignalToNoiseDb "signal_to_noise_db" "the same in dB" Number -300.0 .. 300.0 "";
    BestSignalToNoise "best_signal_to_noise" "signal over noise just below saturation" Number 0.0 .. 1e6 "";
    BestSignalToNoiseDb "best_signal_to_noise_db" "the same in dB" Number -300.0 .. 300.0 "";
    DynamicRange "dynamic_range" "brightest over darkest signal" Number 0.0 .. 1e9 "";
    DynamicRangeDb "dynamic_range_db" "the same in dB" Number -300.0 .. 300.0 "";
    LeastPhotons "least_photons" "photons at which signal equals noise" Number 0.0 .. 1e12 "";
    Averaged "averaged" "frames averaged" Frames 1.0 .. 1e6 "9";
    AveragedSignalToNoise "averaged_signal_to_noise" "signal over noise after averaging" Number 1e-3 .. 1e7 "20";
    AveragedDb "averaged_db" "what averaging gains in dB" Number 0.0 .. 60.0 "";
    AveragedStops "averaged_stops" "the same in stops" Stops 0.0 .. 10.0 "";
    MedianNeeds "median_needs" "frames that a median needs for what this mean does" Frames 1.0 .. 2e6 "";
    MedianWorth "median_worth" "frames in a mean that a median of as many is worth" Frames 0.5 .. 1e6 "";
    Darks "darks" "black reference frames averaged" Number 1.0 .. 1e6 "64";
    DarkResidual "dark_residual" "noise left in the black reference, in parts of one frame's" Number 0.0 .. 1.0 "";
    DarkPenalty "dark_penalty" "noise added by the black reference" Percent 1e-4 .. 100.0 "1";
    Flats "flats" "even field frames averaged" Number 1.0 .. 1e6 "64";
    FlatSignal "flat_signal" "electrons in a pixel of an even field" Electrons 1.0 .. 1e9 "10000";
    FlatNoise "flat_noise" "noise of the even field" Percent 0.0 .. 1e3 "";
    FlatPenalty "flat_penalty" "noise added by the even field" Percent 1e-4 .. 1e3 "1";
    DarkCurrent "dark_current" "dark current in e- a second" Number 0.0 .. 1e9 "100";
    DarkElectrons "dark_electrons" "dark current of an exposure" Electrons 0.0 .. 1e9 "";
    WarmerBy "warmer_by" "kelvin above the dark current's temperature" Number -200.0 .. 200.0 "15";
    Doubling "doubling" "kelvin in which the dark current doubles" Number 1.0 .. 50.0 "7";
    DarkGrowth "dark_growth" "growth of the dark current" Times 0.0 .. 1e9 "";
}

impl Quantity {
    /// The group that it belongs to, for help and tables.
    #[must_use]
    pub fn group(self) -> &'static str {
        match self {
            q if q <= Self::FieldHeight => "Geometry",
            q if q <= Self::ObjectiveDepth => "Optics",
            q if q <= Self::Blur => "Time and motion",
            q if q <= Self::RecordScreenTime => "Record",
            q if q <= Self::ScreenFlicker => "Lamp",
            _ => "Light and noise",
        }
    }

    /// Its option, "--event-length"; `None` for what can only come out of a plan.
    #[must_use]
    pub fn option(self) -> Option<String> {
        let about = self.about();
        (!about.example.is_empty()).then(|| format!("--{}", about.key.replace('_', "-")))
    }

    /// How it is asked for: its key with `-` for `_`, "event-length".
    #[must_use]
    pub fn name(self) -> String {
        self.about().key.replace('_', "-")
    }

    /// Those whose names or words are like `text`: part of them, their first letters, or a slip of
    /// the pen away.
    #[must_use]
    pub fn like(text: &str) -> Vec<Self> {
        let text = text.trim_start_matches("--").replace(['-', '_'], " ").to_lowercase();
        let first = |words: &str| -> String {
            words.split_whitespace().filter_map(|w| w.chars().next()).collect()
        };
        let like = |q: &Self| {
            let about = q.about();
            let (key, words) = (about.key.replace('_', " "), about.words.to_lowercase());
            let within = text.len() > 2 && (key.contains(&text) || words.contains(&text));
            let longer = key.len() > 2 && text.split(' ').any(|w| w == key);
            within || longer || first(&words).starts_with(&text) || one_slip(&key, &text)
        };
        Self::ALL.iter().copied().filter(|q| !text.is_empty() && like(q)).collect()
    }

    /// The quantity of an option or key: "event-length", "--event-length" or "event_length".
    #[must_use]
    pub fn of_key(key: &str) -> Option<Self> {
        let key = key.trim_start_matches("--").replace('-', "_");
        Self::ALL.iter().copied().find(|q| q.about().key == key)
    }
}

/// Whether two words differ by one letter left out, put in or changed, or by two next to each
/// other in the wrong order.
fn one_slip(a: &str, b: &str) -> bool {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let same = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    let (a, b) = (&a[same..], &b[same..]);
    let after = |s: &[char], n: usize| s.get(n..).map(<[char]>::to_vec);
    let swapped = || {
        let turned = [*b.get(1)?, *b.first()?];
        (a.get(..2)? == turned && a[2..] == b[2..]).then_some(())
    };
    after(a, 1) == after(b, 1)
        || after(a, 1).is_some_and(|r| r == b)
        || after(b, 1).is_some_and(|r| r == a)
        || swapped().is_some()
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.about().words)
    }
}

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(self.about().key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_unique_and_lead_back() {
        for &q in Quantity::ALL {
            assert_eq!(Quantity::of_key(q.about().key), Some(q));
            assert!(q.about().range.0 <= q.about().range.1);
        }
        assert_eq!(Quantity::of_key("--event-length"), Some(Quantity::EventLength));
        assert_eq!(Quantity::EventLength.option().unwrap(), "--event-length");
        assert_eq!(Quantity::Blur.option(), None);
        assert_eq!(Quantity::of_key("speed-of-light"), None);
    }

    #[test]
    fn names_that_are_like_what_was_asked_for() {
        let like = |text| Quantity::like(text);
        assert!(like("dof").contains(&Quantity::LensDepth), "{:?}", like("dof"));
        assert!(like("depth").contains(&Quantity::ObjectiveDepth));
        assert!(like("blurr").contains(&Quantity::Blur));
        assert!(like("rtae").contains(&Quantity::Rate) && like("gian").contains(&Quantity::Gain));
        assert!(like("--frame-rate").contains(&Quantity::Rate));
        assert!(like("snr").is_empty() && like("nonsense").is_empty() && like("").is_empty());
    }
}
