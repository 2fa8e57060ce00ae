//! Planning formulas of the optics, of time and of noise.
//!
//! Plain functions of numbers; no state, no I/O. Each names its unit and its source and has a
//! worked example among the tests. Inputs are finite and above zero unless said otherwise: the
//! callers check (`plan` does), and other values give a result that is not finite or makes no
//! sense, never a panic.

mod flicker;
mod geometry;
mod light;
mod noise;
mod time;
mod tines;

pub use flicker::{
    alias_hz, flicker_index_of_sine, flicker_index_of_square, on_screen_hz, percent_flicker,
    ripple_kept, ripple_period,
};
pub use geometry::{
    EngineersScale, MaterialClass, RoundLength, ScaleOfLength, bar_length, cosine_loss,
    engineers_scale_error_um, field_of_view_mm, object_pixel_um, real_magnification,
    rectangular_sigma, rule_error_mm, rule_step_error_mm, scale_of_length,
};
pub use light::{
    airy_radius_um, effective_f_number, exposure_factor, f_number_of_aperture, finest_pitch_um,
    lens_depth_mm, light_loss_stops, object_finest_um, objective_depth_um, other_depth_um,
    rayleigh_pixel_um, rayleigh_um, stops_between, wave_depth_um,
};
pub use noise::{
    MEDIAN_VARIANCE, averaged_noise, dark_count, dark_current, dark_noise_factor,
    dark_signal_non_uniformity_e, decibel, dynamic_range, flat_count, flat_noise, gain_dn_per_e,
    response_non_uniformity_percent, signal_to_noise, threshold_photons,
};
pub use time::{
    blur_px, bytes_per_second, duration_sigma_s, elapsed_s, frames_across, longest_exposure_s,
    peak_speed, rate_for_event, record_frames, screen_seconds, shutter_angle_deg, slow_down,
};
pub use tines::{CANTILEVER_ROOTS, Tine, cantilever_shape};
