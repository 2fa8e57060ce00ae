//! Clips of a plain scene as files: a texture, noise, a trembling rig, and a square that moves.

use std::fs;
use std::path::{Path, PathBuf};

use hushframe::footage::{Facts, OutFrame, TiffTags, encode_tiff};
use hushframe::frame::Plane;
use hushframe::math::resample::shifted;
use hushframe::night::job::ClipJob;
use hushframe::pipeline::Pipeline;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};

/// The job of sending the frames of a folder through a pipeline, without references.
pub(crate) fn job(input: PathBuf, pipeline: Pipeline) -> ClipJob {
    ClipJob {
        name: "clip".to_owned(),
        input,
        facts: vec![Facts::default()],
        pipeline,
        dark: None,
        flat: None,
        listed: None,
        range: None,
    }
}

const BLACK: f32 = 400.0;

/// Noise of many frames from one table read at different places.
pub(crate) struct Camera {
    size: [usize; 2],
    pub(crate) scene: Plane,
    noise: Vec<f32>,
    rng: ChaCha12Rng,
    place: [f64; 2],
}

impl Camera {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        let path = format!("{}/test-frames/textures/gravel.png", env!("CARGO_MANIFEST_DIR"));
        let tile = image::open(path).expect("bundled texture").to_luma8();
        let scene = Plane::from_fn(width + 64, height + 64, |x, y| {
            let v = tile.get_pixel(x as u32 % 512, y as u32 % 512).0[0];
            f32::from(v) * 8.0
        });
        let mut rng = ChaCha12Rng::seed_from_u64(7);
        let normal = Normal::new(0.0_f32, 1.0).expect("normal");
        let noise = (0..width * height * 2 + 99_991).map(|_| normal.sample(&mut rng)).collect();
        Self { size: [width, height], scene, noise, rng, place: [0.0, 0.0] }
    }

    /// A frame: 12-bit range, the rig trembling, a square that moves.
    fn frame(&mut self, k: usize) -> OutFrame {
        let [width, height] = self.size;
        let side = 400.min(height / 3);
        for v in &mut self.place {
            *v = (*v + self.rng.random_range(-0.4..0.4)).clamp(-8.0, 8.0);
        }
        let moved = shifted(&self.scene, 32.0 - self.place[0], 32.0 - self.place[1]);
        let from = self.rng.random_range(0..self.noise.len() - width * height);
        let (sx, sy) = (300.min(width / 6) + (k * 3) % (width / 2), 300.min(height / 4));
        let mut data = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let inside = x >= sx && x < sx + side && y >= sy && y < sy + side;
                let light = if inside {
                    self.scene.at(x - sx + width / 3, y - sy + height / 2)
                } else {
                    moved.at(x, y)
                };
                let sigma = (light.max(0.0) * 0.5 + 150.0).sqrt();
                let v = light + sigma * self.noise[from + y * width + x] + BLACK;
                data.push((v + 0.5) as u16);
            }
        }
        OutFrame { width, height, channels: 1, data }
    }

    /// Writes a clip and its facts; where the rig was in each frame, in pixels.
    pub(crate) fn film(&mut self, folder: &Path, frames: usize) -> Vec<[f64; 2]> {
        fs::create_dir_all(folder).expect("folder");
        let facts = "rate = 2000\nplayback = 25\nscale = \"1um\"\nblack = 400\nwhite = 4095\n";
        fs::write(folder.join("clip.toml"), facts).expect("facts");
        (0..frames)
            .map(|k| {
                let bytes = encode_tiff(&self.frame(k), &TiffTags::default()).expect("encode");
                fs::write(folder.join(format!("{k:06}.tif")), bytes).expect("write");
                self.place
            })
            .collect()
    }
}
