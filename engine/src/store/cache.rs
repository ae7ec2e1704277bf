//! Decoded chunks that are kept for a while, shared by all threads that read a dataset.
//!
//! A chunk is decoded by one thread, outside any lock. Another that needs it meanwhile decodes the one
//! after it first, so that threads which read blocks in turn decode different chunks.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use super::filters::Decoded;

/// A chunk, or why there is none.
pub(super) type Slot = OnceLock<Result<Decoded, String>>;

pub(super) struct Cache {
    /// Bytes that are kept, but two chunks in any case.
    capacity: usize,
    /// Bytes of a chunk.
    size: usize,
    held: Mutex<Held>,
}

#[derive(Default)]
struct Held {
    slots: BTreeMap<u64, Arc<Slot>>,
    /// Oldest first.
    order: VecDeque<u64>,
}

impl Held {
    /// Makes room and a slot; a buffer that is free now.
    fn insert(&mut self, index: u64, most: usize) -> (Arc<Slot>, Vec<u8>) {
        let mut free = Vec::new();
        while self.order.len() >= most {
            let oldest = self.order.pop_front().and_then(|i| self.slots.remove(&i));
            let decoded = oldest.and_then(Arc::into_inner).and_then(Slot::into_inner);
            if let Some(Ok(decoded)) = decoded {
                free = decoded.bytes;
            }
        }
        let slot = Arc::<Slot>::default();
        self.order.push_back(index);
        self.slots.insert(index, slot.clone());
        (slot, free)
    }
}

impl Cache {
    /// A cache of `capacity` bytes for chunks of `size` bytes.
    pub fn new(capacity: usize, size: usize) -> Self {
        Cache {
            capacity,
            size,
            held: Mutex::default(),
        }
    }

    /// A chunk, made by `make` from a buffer to be used again unless it is there. `last` is the last
    /// one that may be needed after it.
    pub fn get(
        &self,
        index: u64,
        last: u64,
        make: impl Fn(u64, Vec<u8>) -> Result<Decoded, String>,
    ) -> Arc<Slot> {
        // What keeps a slot takes about this much beside the bytes.
        const SLOT: usize = 128;
        let most = (self.capacity / (self.size + SLOT)).max(2);
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        let there = held.slots.get(&index).cloned();
        let unfinished = there.as_ref().is_some_and(|slot| slot.get().is_none());
        let (slot, free) = match there {
            Some(slot) => (slot, Vec::new()),
            None => held.insert(index, most),
        };
        let ahead = (index + 1..=last)
            .take(most / 2)
            .find(|i| unfinished && !held.slots.contains_key(i))
            .map(|i| (i, held.insert(i, most)));
        drop(held);
        if let Some((ahead, (slot, free))) = ahead {
            slot.get_or_init(|| make(ahead, free));
        }
        slot.get_or_init(|| make(index, free));
        slot
    }
}
