//! hushframe: overnight post-processing of high-speed macro footage.
//!
//! The layers, lowest first; a layer uses only lower ones (`tests/layers.rs` holds it): [`frame`];
//! [`math`]; [`record`], [`optics`]; [`footage`]; [`sensor`], [`register`], [`labels`], [`plan`];
//! [`measure`]; [`stages`]; [`pipeline`]; [`engine`]; [`night`], [`report`], [`simulate`]; [`day`];
//! [`cli`].

pub mod cli;
pub mod day;
pub mod engine;
pub mod footage;
pub mod frame;
pub mod labels;
pub mod math;
pub mod measure;
pub mod night;
pub mod optics;
pub mod pipeline;
pub mod plan;
pub mod record;
pub mod register;
pub mod report;
pub mod sensor;
pub mod simulate;
pub mod stages;
