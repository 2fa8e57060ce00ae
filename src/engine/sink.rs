//! Where finished frames go: the one who keeps them, and threads that hand them over.

use std::sync::mpsc::sync_channel;
use std::sync::{Mutex, PoisonError};

use super::{EngineError, Work};
use crate::footage::OutFrame;
use crate::record::Notes;

/// A finished frame.
#[derive(Debug)]
pub struct Finished {
    /// Number of its source; of several that were combined, the first.
    pub frame: u64,
    /// The picture.
    pub picture: OutFrame,
    /// Standard deviation of the temporal noise left at the median level, in DN; `None` where it
    /// is not known.
    pub noise_dn: Option<f64>,
    /// Measures and warnings of the stages.
    pub notes: Notes,
}

/// Takes what the renderer makes; called from several threads.
pub trait Sink: Sync {
    /// A frame is finished: keep it. An error stops the run.
    ///
    /// # Errors
    /// Where it cannot be kept.
    fn keep(&self, finished: Finished) -> Result<(), EngineError>;

    /// A frame could not be made.
    ///
    /// # Errors
    /// Where that cannot be noted.
    fn failed(&self, frame: u64, why: String) -> Result<(), EngineError>;
}

/// Hands a frame that is finished, or is not, to the sink.
pub(super) fn deliver(
    finished: Result<Finished, String>,
    frame: u64,
    sink: &dyn Sink,
) -> Result<(), EngineError> {
    match finished {
        Ok(f) => sink.keep(f),
        Err(why) => sink.failed(frame, why),
    }
}

/// Takes a frame that is finished, or is not, and its number.
pub(super) type HandOver<'a> =
    &'a (dyn Fn(Result<Finished, String>, u64) -> Result<(), EngineError> + Sync);

/// Runs `body` with threads that write beside those that make frames, so that nothing else waits
/// for a disk to sync; all that was handed over is written when this returns. One thread does
/// everything itself.
pub(super) fn with_writers(
    sink: &dyn Sink,
    work: &Work<'_>,
    body: impl FnOnce(HandOver<'_>) -> Result<(), EngineError>,
) -> Result<(), EngineError> {
    if work.threads <= 1 {
        return body(&|finished, frame| deliver(finished, frame, sink));
    }
    // Who hands over waits until there is somebody to take it.
    let (entry, exit) = sync_channel::<(Result<Finished, String>, u64)>(0);
    let exit = Mutex::new(exit);
    let fault = Mutex::new(None);
    let first = || fault.lock().unwrap_or_else(PoisonError::into_inner);
    let done = std::thread::scope(|scope| {
        for _ in 0..work.threads {
            scope.spawn(|| {
                loop {
                    let next = exit.lock().unwrap_or_else(PoisonError::into_inner).recv();
                    let Ok((finished, frame)) = next else { return };
                    // After a fault it is only emptied.
                    if first().is_none()
                        && let Err(e) = deliver(finished, frame, sink)
                    {
                        first().get_or_insert(e);
                    }
                }
            });
        }
        let entry = entry;
        body(&|finished, frame| {
            if let Some(e) = first().take() {
                return Err(e);
            }
            let gone = |_| EngineError::Refused("the threads that write have ended".to_owned());
            entry.send((finished, frame)).map_err(gone)
        })
    });
    done.and(fault.into_inner().unwrap_or_else(PoisonError::into_inner).map_or(Ok(()), Err))
}
