//! `flicker`: takes the lamp's ripple and other changes of light from frame to frame out.
//!
//! The light of each frame relative to the clip is measured together with its pose, on still
//! pixels only, by weighted least squares against the scene's template (see
//! [`crate::register::fit`]); this stage only says that frames are to be divided by it. Noise is
//! divided too, which the averaging takes into account.
//!
//! Where lamps of different phase light the frame unevenly, the frame is divided by light that
//! varies smoothly over it besides ([`crate::register::uneven`]), as far as lamps on the mains
//! explain it ([`crate::register::lamp`]); what changes slowly stays. `lamps` in the record says what
//! was found: frequency, phases, size. The noise of averages has its mean over the clip at each pixel.
//!
//! Order: after `dark`, in linear light, before `average`. Without a lock on the background there
//! is no measure, and frames stay as they are.

use serde::{Deserialize, Serialize};

use super::{Realm, StageDoc};

/// What people see of the stage.
pub const DOC: StageDoc = StageDoc {
    name: "flicker",
    summary: "divides every frame by its light, measured on the still background; smooth over the \
              frame where several lamps make it uneven",
    takes: &[Realm::Sensor],
    gives: None,
    settings: &[],
};

/// Settings of the stage: none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlickerSettings {}
