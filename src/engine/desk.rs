//! Averaged frames on their way: source frames are combined where the pipeline asks for it, then
//! handed over to the threads that finish and write them.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Mutex, PoisonError};

use super::render::Renderer;
use super::sink::{Sink, deliver};
use super::{EngineError, Work};
use crate::frame::Frame;
use crate::record::Notes;
use crate::stages::Moment;
use crate::stages::combine::{Group, Sum};

/// A frame on its way to the later stages: when it was, what it shows, and its noise in DN.
type Parcel = (Moment, Frame, Option<f64>);

/// Where averaged frames are handed over to the threads that finish and write them.
pub(super) struct Desk<'a> {
    entry: SyncSender<Parcel>,
    fault: &'a Mutex<Option<EngineError>>,
}

impl Desk<'_> {
    /// Fails where a finished frame could not be kept.
    pub(super) fn check(&self) -> Result<(), EngineError> {
        self.fault.lock().unwrap_or_else(PoisonError::into_inner).take().map_or(Ok(()), Err)
    }

    /// Waits while too many frames are on the way.
    fn hand_over(&self, parcel: Parcel) -> Result<(), EngineError> {
        let gone = |_| EngineError::Refused("the threads that write have ended".to_owned());
        self.entry.send(parcel).map_err(gone)
    }
}

/// Puts source frames together as they come, in order; groups do not overlap.
pub(super) struct Gather<'a> {
    renderer: &'a Renderer<'a>,
    desk: &'a Desk<'a>,
    sink: &'a dyn Sink,
    /// Finished frames that were handed over or failed.
    pub(super) done: u64,
    open: Option<Open>,
}

/// A group that is being put together.
struct Open {
    group: Group,
    next: usize,
    sum: Option<Sum>,
    noise: f64,
    fault: Option<String>,
}

impl<'a> Gather<'a> {
    pub(super) fn new(renderer: &'a Renderer<'a>, desk: &'a Desk<'a>, sink: &'a dyn Sink) -> Self {
        Self { renderer, desk, sink, done: 0, open: None }
    }

    /// Takes the frame at position `i`, with its noise, or why it could not be made.
    pub(super) fn take(
        &mut self,
        i: usize,
        frame: Result<(Frame, f64), String>,
    ) -> Result<(), EngineError> {
        let renderer = self.renderer;
        let start = || {
            let group = renderer.group(i);
            Open { group, next: 0, sum: None, noise: 0.0, fault: None }
        };
        let mut open = self.open.take().unwrap_or_else(start);
        let last = open.next + 1 == open.group.shares.len();
        let weight = open.group.shares.get(open.next).map_or(1.0, |s| s.weight);
        match frame {
            // The usual way: nothing is added up.
            Ok((frame, noise)) if last && open.next == 0 => {
                self.done += 1;
                return self.desk.hand_over((renderer.moment(&open.group), frame, Some(noise)));
            }
            Ok((frame, noise)) => {
                let sum = open.sum.get_or_insert_with(|| Sum::like(&frame, renderer.white()));
                sum.add(&frame, weight);
                // Neighbouring averages share their noise: no less than this can be promised.
                open.noise += weight * noise;
            }
            Err(why) => {
                open.fault.get_or_insert_with(|| renderer.fault_of(&open.group, i, &why));
            }
        }
        open.next += 1;
        if !last {
            self.open = Some(open);
            return Ok(());
        }
        self.done += 1;
        match (open.fault, open.sum) {
            (None, Some(sum)) => {
                let moment = renderer.moment(&open.group);
                self.desk.hand_over((moment, sum.finish(), Some(open.noise)))
            }
            (fault, _) => {
                let number = renderer.moment(&open.group).frame;
                self.sink.failed(number, fault.unwrap_or_default())
            }
        }
    }
}

impl Renderer<'_> {
    /// Runs `body` with a desk; all that was handed over is finished when this returns.
    pub(super) fn with_desk(
        &self,
        sink: &dyn Sink,
        work: &Work<'_>,
        body: impl FnOnce(&Desk<'_>) -> Result<(), EngineError>,
    ) -> Result<(), EngineError> {
        let (entry, exit) = sync_channel(work.threads.min(work.ahead));
        let exit = Mutex::new(exit);
        let fault = Mutex::new(None);
        let done = std::thread::scope(|scope| {
            for _ in 0..work.threads {
                scope.spawn(|| self.finish_parcels(&exit, &fault, sink));
            }
            let desk = Desk { entry, fault: &fault };
            body(&desk)
        });
        done.and(fault.into_inner().unwrap_or_else(PoisonError::into_inner).map_or(Ok(()), Err))
    }

    /// One thread that finishes and writes; after a fault it only empties the desk.
    fn finish_parcels(
        &self,
        exit: &Mutex<Receiver<Parcel>>,
        fault: &Mutex<Option<EngineError>>,
        sink: &dyn Sink,
    ) {
        loop {
            let next = exit.lock().unwrap_or_else(PoisonError::into_inner).recv();
            let Ok((at, frame, noise)) = next else { return };
            let first = || fault.lock().unwrap_or_else(PoisonError::into_inner);
            if first().is_some() {
                continue;
            }
            let finished = self.finish(frame, at, noise, Notes::default());
            if let Err(e) = deliver(finished, at.frame, sink) {
                first().get_or_insert(e);
            }
        }
    }
}
