//! Pipelines: what a TOML file says, checked and put in order. After this nothing is in doubt.
//!
//! A pipeline file is a name and a list of stages:
//!
//! ```toml
//! name = "clean"
//!
//! [[stage]]
//! use = "dark"
//!
//! [[stage]]
//! use = "average"
//! frames = 33
//! ```
//!
//! [`parse`] reads it; an unknown stage or setting is refused with its line. Physics orders the
//! stages: one that needs linear sensor values cannot come after one that bends them, and an order
//! that breaks this is refused with the reason. [`standard`] has the pipelines that come along.

mod order;
mod raw;

pub use raw::parse;

use serde::Serialize;
use thiserror::Error;

use crate::register::RegisterSettings;
use crate::stages::{self, StageDoc};

/// What is wrong with a pipeline.
#[derive(Debug, Error, Clone, PartialEq, Eq)]
pub enum PipelineError {
    /// The text does not say what it should.
    #[error("{place}: {what}")]
    Text {
        /// File and line.
        place: String,
        /// What is wrong and what could stand there.
        what: String,
    },
    /// The stages stand in an impossible order.
    #[error("{place}: {what}")]
    Order {
        /// File and line.
        place: String,
        /// Why it cannot be.
        what: String,
    },
}

macro_rules! stage_list {
    ($($variant:ident $module:ident $settings:ident),+ $(,)?) => {
        /// One stage of a pipeline with its settings.
        #[derive(Debug, Clone, PartialEq, Serialize)]
        #[serde(tag = "use", rename_all = "kebab-case")]
        pub enum Step {
            $(
                #[doc = concat!("See [`stages::", stringify!($module), "`].")]
                $variant(stages::$module::$settings),
            )+
        }

        impl Step {
            /// What people see of the stage.
            #[must_use]
            pub fn doc(&self) -> &'static StageDoc {
                match self {
                    $(Self::$variant(_) => &stages::$module::DOC,)+
                }
            }

            /// Reads the settings of stage `name`.
            fn read(name: &str, table: toml::Table) -> Result<Self, toml::de::Error> {
                $(
                    if name == stages::$module::DOC.name {
                        return table.try_into().map(Self::$variant);
                    }
                )+
                Err(serde::de::Error::custom("there is no such stage"))
            }
        }

        /// All stages, in the order in which they usually stand.
        pub const STAGES: &[&StageDoc] = &[$(&stages::$module::DOC),+];
    };
}

stage_list! {
    Dark dark DarkSettings,
    Flat flat FlatSettings,
    Defects defects DefectsSettings,
    Banding banding BandingSettings,
    Flicker flicker FlickerSettings,
    Average average AverageSettings,
    Steady steady SteadySettings,
    Combine combine CombineSettings,
    Demosaic demosaic DemosaicSettings,
    Balance balance BalanceSettings,
    Display display DisplaySettings,
    ScaleBar scale_bar ScaleBarSettings,
    Caption caption CaptionSettings,
    Clock clock ClockSettings,
    Motion motion MotionSettings,
}

/// A pipeline in which nothing is left to decide.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pipeline {
    /// Its name.
    pub name: String,
    /// The stages in their order; none twice.
    pub steps: Vec<Step>,
}

macro_rules! finder {
    ($name:ident, $variant:ident, $settings:ty) => {
        #[doc = concat!("The settings of stage `", stringify!($name), "`, where it is used.")]
        #[must_use]
        pub fn $name(&self) -> Option<&$settings> {
            self.steps.iter().find_map(|s| match s {
                Step::$variant(settings) => Some(settings),
                _ => None,
            })
        }
    };
}

impl Pipeline {
    finder!(dark, Dark, stages::dark::DarkSettings);
    finder!(flat, Flat, stages::flat::FlatSettings);
    finder!(banding, Banding, stages::banding::BandingSettings);
    finder!(defects, Defects, stages::defects::DefectsSettings);
    finder!(flicker, Flicker, stages::flicker::FlickerSettings);
    finder!(average, Average, stages::average::AverageSettings);
    finder!(steady, Steady, stages::steady::SteadySettings);
    finder!(combine, Combine, stages::combine::CombineSettings);

    /// Source frames that go into a finished one; 1 where none are combined.
    #[must_use]
    pub fn combined(&self) -> u64 {
        self.combine().and_then(|s| u64::try_from(s.frames).ok()).unwrap_or(1).max(1)
    }

    /// How a clip is registered.
    #[must_use]
    pub fn register_settings(&self) -> RegisterSettings {
        self.steady().map_or_else(RegisterSettings::default, |s| RegisterSettings {
            reach: s.reach,
            include: s.include.clone(),
            exclude: s.exclude.clone(),
        })
    }

    /// Adds rectangles `[x, y, width, height]` that are, and that are not, still background to the
    /// settings of stage steady.
    ///
    /// # Errors
    /// Where the pipeline has no such stage.
    pub fn name_background(
        &mut self,
        include: &[[usize; 4]],
        exclude: &[[usize; 4]],
    ) -> Result<(), PipelineError> {
        if include.is_empty() && exclude.is_empty() {
            return Ok(());
        }
        let steady = self.steps.iter_mut().find_map(|s| match s {
            Step::Steady(settings) => Some(settings),
            _ => None,
        });
        let Some(steady) = steady else {
            return Err(PipelineError::Text {
                place: format!("pipeline {}", self.name),
                what: "has no stage steady, which the regions are for".to_owned(),
            });
        };
        steady.include.extend_from_slice(include);
        steady.exclude.extend_from_slice(exclude);
        Ok(())
    }

    /// Whether the frames' poses are needed.
    #[must_use]
    pub fn needs_poses(&self) -> bool {
        self.average().is_some()
            || self.steady().is_some()
            || self.flicker().is_some()
            || self.banding().is_some()
    }
}

/// The text of a pipeline that comes along, by its name.
#[must_use]
pub fn standard(name: &str) -> Option<&'static str> {
    STANDARD.iter().find(|(n, _)| *n == name).map(|&(_, text)| text)
}

/// The pipelines that come along: name and text.
pub const STANDARD: &[(&str, &str)] = &[
    ("clean", include_str!("../../pipelines/clean.toml")),
    ("clean-and-label", include_str!("../../pipelines/clean-and-label.toml")),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn standard_pipelines_are_sound() {
        for (name, text) in STANDARD {
            let p = parse(name, text).unwrap();
            assert_eq!(p.name, *name);
            assert!(p.needs_poses());
        }
    }

    #[test]
    fn regions_go_to_stage_steady() {
        let mut p = parse("x", standard("clean").unwrap()).unwrap();
        p.name_background(&[[1, 2, 3, 4]], &[[5, 6, 7, 8]]).unwrap();
        assert_eq!(p.steady().unwrap().include, [[1, 2, 3, 4]]);
        assert_eq!(p.steady().unwrap().exclude, [[5, 6, 7, 8]]);
        p.steps.retain(|s| !matches!(s, Step::Steady(_)));
        p.name_background(&[], &[]).unwrap();
        let why = p.name_background(&[[1, 2, 3, 4]], &[]).unwrap_err().to_string();
        assert!(why.contains("no stage steady"), "{why}");
    }

    #[test]
    fn names_of_stages_are_those_of_their_docs() {
        let p = parse("x", standard("clean-and-label").unwrap()).unwrap();
        for step in &p.steps {
            let json = serde_json::to_value(step).unwrap();
            assert_eq!(json["use"], step.doc().name);
        }
    }
}
