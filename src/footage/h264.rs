//! Pictures as an H.264 stream (ITU-T H.264, constrained baseline profile), by an embedded library.
//!
//! Only with the feature `preview`, which needs a C++ compiler to build. Colour: BT.709 primaries
//! and matrix, limited range, sRGB curve, said in the stream. One thread, so that the bytes do not
//! depend on the machine's threads.

use crate::frame::convert::{round_u8, to_f32};

/// Planes of a picture: light, and two of colour at half width and height.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Yuv {
    /// Width and height, both even.
    pub size: (usize, usize),
    /// Y', `width * height`.
    pub y: Vec<u8>,
    /// Cb, a quarter of that.
    pub u: Vec<u8>,
    /// Cr, likewise.
    pub v: Vec<u8>,
}

impl Yuv {
    /// From 8-bit R'G'B' or grey codes, interleaved, of an even size (ITU-R BT.709, limited range:
    /// `Y' = 16 + 219 E'_Y`, `C = 128 + 224 E'_C`); colour is the mean of 2 x 2 pixels. `None` where
    /// the codes do not match the size.
    #[must_use]
    pub fn of((width, height, channels): (usize, usize, usize), codes: &[u8]) -> Option<Self> {
        let even = width % 2 == 0 && height % 2 == 0 && width > 0 && height > 0;
        if !even || codes.len() != width * height * channels || !matches!(channels, 1 | 3) {
            return None;
        }
        let quarter = width / 2 * (height / 2);
        if channels == 1 {
            let table: Vec<u8> =
                (0..=255_u8).map(|c| round_u8(16.0 + f32::from(c) * (219.0 / 255.0))).collect();
            let y = codes.iter().map(|&c| table[usize::from(c)]).collect();
            let grey = vec![128; quarter];
            return Some(Self { size: (width, height), y, u: grey.clone(), v: grey });
        }
        let mut y = Vec::with_capacity(width * height);
        y.extend(codes.chunks_exact(3).map(|p| round_u8(16.0 + luma(p) * (219.0 / 255.0))));
        let (mut u, mut v) = (Vec::with_capacity(quarter), Vec::with_capacity(quarter));
        for row in 0..height / 2 {
            for column in 0..width / 2 {
                let (mut blue, mut red) = (0.0, 0.0);
                for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    let at = 3 * ((2 * row + dy) * width + 2 * column + dx);
                    let p = &codes[at..at + 3];
                    blue += f32::from(p[2]) - luma(p);
                    red += f32::from(p[0]) - luma(p);
                }
                let coded = |sum: f32, whole: f64| {
                    round_u8(128.0 + sum * to_f32(224.0 / 255.0 / 4.0 / whole))
                };
                u.push(coded(blue, 1.8556));
                v.push(coded(red, 1.5748));
            }
        }
        Some(Self { size: (width, height), y, u, v })
    }
}

fn luma(p: &[u8]) -> f32 {
    0.2126 * f32::from(p[0]) + 0.7152 * f32::from(p[1]) + 0.0722 * f32::from(p[2])
}

#[cfg(feature = "preview")]
mod with_library {
    use openh264::OpenH264API;
    use openh264::encoder::{
        BitRate, EncoderConfig, FrameRate, IntraFramePeriod, RateControlMode, SpsPpsStrategy,
        TransferCharacteristics, UsageType, VuiConfig,
    };
    use openh264::formats::YUVSlices;

    use super::Yuv;

    /// A key frame at least so often, so that a player can jump.
    const KEY_EVERY: u32 = 48;

    /// How often a picture is offered to the library.
    const MOST_OFFERS: usize = 500;

    /// An encoder of one stream.
    pub struct Encoder(openh264::encoder::Encoder);

    impl std::fmt::Debug for Encoder {
        fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.write_str("Encoder")
        }
    }

    impl Encoder {
        /// For a stream of `rate` frames a second and `bits` a second: frames that need less take
        /// less, noisy ones lose grain instead of taking more (about a quarter more at worst).
        ///
        /// # Errors
        /// What the library says.
        pub fn new(rate: f32, bits: u32) -> Result<Self, String> {
            let vui = VuiConfig::bt709().transfer_characteristics(TransferCharacteristics::Srgb);
            let config = EncoderConfig::new()
                .usage_type(UsageType::CameraVideoRealTime)
                .rate_control_mode(RateControlMode::Bitrate)
                .sps_pps_strategy(SpsPpsStrategy::ConstantId)
                .bitrate(BitRate::from_bps(bits))
                .max_frame_rate(FrameRate::from_hz(rate))
                .intra_frame_period(IntraFramePeriod::from_num_frames(KEY_EVERY))
                .skip_frames(true)
                .num_threads(1)
                .vui(vui);
            let api = OpenH264API::from_source();
            openh264::encoder::Encoder::with_api_config(api, config)
                .map(Self)
                .map_err(|e| e.to_string())
        }

        /// The annex B stream of one picture; all pictures must be of one size.
        ///
        /// # Errors
        /// What the library says.
        pub fn encode(&mut self, picture: &Yuv) -> Result<Vec<u8>, String> {
            let half = picture.size.0 / 2;
            let planes = (&picture.y[..], &picture.u[..], &picture.v[..]);
            let source = YUVSlices::new(planes, picture.size, (picture.size.0, half, half));
            // To hold its rate the library leaves a picture out now and then: it is offered again.
            for _ in 0..MOST_OFFERS {
                let coded = self.0.encode(&source).map_err(|e| e.to_string())?.to_vec();
                if !coded.is_empty() {
                    return Ok(coded);
                }
            }
            Err(format!("the encoder left a picture out {MOST_OFFERS} times"))
        }
    }
}

#[cfg(not(feature = "preview"))]
mod with_library {
    use super::Yuv;

    /// There is no encoder in this build.
    #[derive(Debug)]
    pub struct Encoder(());

    impl Encoder {
        /// Refuses.
        ///
        /// # Errors
        /// Always, saying how to build with one.
        pub fn new(_rate: f32, _bits: u32) -> Result<Self, String> {
            Err("this program was built without the feature preview, which needs a C++ compiler"
                .to_owned())
        }

        /// Refuses.
        ///
        /// # Errors
        /// Always.
        pub fn encode(&mut self, _picture: &Yuv) -> Result<Vec<u8>, String> {
            Err("there is no encoder in this build".to_owned())
        }
    }
}

pub use with_library::Encoder;

/// Whether this build can make movies.
pub const CAN_ENCODE: bool = cfg!(feature = "preview");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_those_of_the_standard() {
        // ITU-R BT.709: black 16, white 235, colour 128; 100 % red is (63, 102, 240).
        let grey = Yuv::of((2, 2, 1), &[0, 255, 0, 255]).unwrap();
        assert_eq!((grey.y, grey.u, grey.v), (vec![16, 235, 16, 235], vec![128], vec![128]));
        let red = Yuv::of((2, 2, 3), &[255, 0, 0].repeat(4)).unwrap();
        assert_eq!((red.y[0], red.u[0], red.v[0]), (63, 102, 240));
        assert!(Yuv::of((3, 2, 1), &[0; 6]).is_none());
        assert!(Yuv::of((2, 2, 3), &[0; 4]).is_none());
    }

    #[cfg(feature = "preview")]
    #[test]
    fn noisy_frames_take_what_was_planned() {
        use rand::{Rng, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(264);
        for (planned, size) in [(1_000_000_u32, (320, 240)), (600_000, (160, 120))] {
            for spread in [8_i32, 40] {
                let mut encoder = Encoder::new(25.0, planned).unwrap();
                let mut bits = 0;
                for _ in 0..100 {
                    let codes: Vec<u8> = (0..size.0 * size.1)
                        .map(|_| u8::try_from(128 + rng.random_range(-spread..spread)).unwrap())
                        .collect();
                    let yuv = Yuv::of((size.0, size.1, 1), &codes).unwrap();
                    bits += 8 * encoder.encode(&yuv).unwrap().len();
                }
                let share = bits as f64 / (4.0 * f64::from(planned));
                println!("{size:?}, spread {spread}: {share:.2} of the plan");
                assert!(share < 1.5, "{size:?}, spread {spread}: {share:.2} of the plan");
            }
        }
    }
}
