//! Large buffers that are done with, kept for the next of the same length.
//!
//! A clip is thousands of frames of one size, and some of its planes live for a whole window while
//! others come and go around them. Left to the system's allocator, that mixture scatters: memory
//! grew by 29 % from 300 to 900 frames although nothing was kept. Here a plane that ends leaves its
//! memory to the next one, so after the first few frames nothing new is asked for.
//!
//! Buffers are told apart by their exact capacity; small ones are not kept. Of each length
//! no more is kept than was in use at some moment, and [`clear`] lets go of all of it: the engine does
//! so before each pass over a clip, because the next one may have another size.

use std::sync::{Mutex, MutexGuard, PoisonError};

/// Shorter buffers are left to the allocator, in elements.
const LEAST: usize = 1 << 14;

/// Kept buffers of one kind of element.
struct Shelf<T>(Mutex<State<T>>);

struct State<T> {
    kept: Vec<Vec<T>>,
    /// Lengths, and how many buffers of each were made here: no more of it are ever kept, so
    /// buffers from elsewhere cannot pile up.
    made: Vec<(usize, usize)>,
}

impl<T> State<T> {
    fn made(&mut self, len: usize) -> Option<&mut usize> {
        self.made.iter_mut().find(|(l, _)| *l == len).map(|(_, n)| n)
    }
}

impl<T> Shelf<T> {
    const fn new() -> Self {
        Self(Mutex::new(State { kept: Vec::new(), made: Vec::new() }))
    }

    fn state(&self) -> MutexGuard<'_, State<T>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// An empty buffer with room for `len` elements.
    fn take(&self, len: usize) -> Vec<T> {
        let mut buffer = self.take_used(len);
        buffer.clear();
        buffer
    }

    /// The same with whatever is still in it.
    fn take_used(&self, len: usize) -> Vec<T> {
        if len >= LEAST {
            let mut state = self.state();
            if let Some(at) = state.kept.iter().rposition(|b| b.capacity() == len) {
                return state.kept.swap_remove(at);
            }
            match state.made(len) {
                Some(n) => *n += 1,
                None => state.made.push((len, 1)),
            }
        }
        Vec::with_capacity(len)
    }

    fn give(&self, buffer: Vec<T>) {
        if buffer.capacity() >= LEAST {
            let len = buffer.capacity();
            let mut state = self.state();
            let kept = state.kept.iter().filter(|b| b.capacity() == len).count();
            if state.made(len).is_some_and(|n| kept < *n) {
                state.kept.push(buffer);
            }
        }
    }

    fn clear(&self) {
        let mut state = self.state();
        state.kept.clear();
        state.made.clear();
    }
}

static VALUES: Shelf<f32> = Shelf::new();
static CODES: Shelf<u16> = Shelf::new();
static BYTES: Shelf<u8> = Shelf::new();

/// An empty buffer for `len` values.
#[must_use]
pub fn values(len: usize) -> Vec<f32> {
    VALUES.take(len)
}

/// A buffer of `len` values, all `value`.
#[must_use]
pub fn values_of(len: usize, value: f32) -> Vec<f32> {
    let mut buffer = values(len);
    buffer.resize(len, value);
    buffer
}

/// A buffer of `len` values that are all to be written: what they are now is left over.
#[must_use]
pub fn values_to_write(len: usize) -> Vec<f32> {
    let mut buffer = VALUES.take_used(len);
    buffer.resize(len, 0.0);
    buffer
}

/// An empty buffer for `len` 16-bit samples or codes.
#[must_use]
pub fn codes(len: usize) -> Vec<u16> {
    CODES.take(len)
}

/// A buffer of `len` samples or codes that are all to be written: what they are now is left over.
#[must_use]
pub fn codes_to_write(len: usize) -> Vec<u16> {
    let mut buffer = CODES.take_used(len);
    buffer.resize(len, 0);
    buffer
}

/// An empty buffer for `len` bytes.
#[must_use]
pub fn bytes(len: usize) -> Vec<u8> {
    BYTES.take(len)
}

/// A buffer of `len` bytes that are all to be written: what they are now is left over.
#[must_use]
pub fn bytes_to_write(len: usize) -> Vec<u8> {
    let mut buffer = BYTES.take_used(len);
    buffer.resize(len, 0);
    buffer
}

/// Leaves a buffer to the next [`values`].
pub fn keep_values(buffer: Vec<f32>) {
    VALUES.give(buffer);
}

/// Leaves a buffer to the next [`codes`].
pub fn keep_codes(buffer: Vec<u16>) {
    CODES.give(buffer);
}

/// Leaves a buffer to the next [`bytes`].
pub fn keep_bytes(buffer: Vec<u8>) {
    BYTES.give(buffer);
}

/// Lets go of everything that is kept.
pub fn clear() {
    VALUES.clear();
    CODES.clear();
    BYTES.clear();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_buffer_comes_back_empty_and_only_for_its_own_length() {
        let shelf = Shelf::<u16>::new();
        let mut a = shelf.take(LEAST + 7);
        a.resize(LEAST + 7, 3);
        let place = a.as_ptr();
        shelf.give(a);
        assert_eq!(shelf.take(LEAST + 8).capacity(), LEAST + 8);
        let b = shelf.take(LEAST + 7);
        assert!(b.is_empty() && b.as_ptr() == place);
        shelf.give(vec![5; LEAST + 8]);
        assert!(shelf.take_used(LEAST + 8).len() == LEAST + 8);
        shelf.give(Vec::with_capacity(8));
        shelf.give(Vec::with_capacity(LEAST + 9));
        assert!(shelf.state().kept.is_empty(), "neither small ones nor those from elsewhere");
    }
}
