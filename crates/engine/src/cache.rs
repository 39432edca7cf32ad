//! A cache with a limit in bytes, which evicts the least recently used value first.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};

#[derive(Debug)]
struct Entry<V> {
    value: Arc<V>,
    bytes: usize,
    used: u64,
}

#[derive(Debug)]
struct Inner<K, V> {
    entries: HashMap<K, Entry<V>>,
    bytes: usize,
    clock: u64,
}

/// Values shared by key, at most `limit` bytes in total.
#[derive(Debug)]
pub(crate) struct ByteCache<K, V> {
    limit: usize,
    inner: Mutex<Inner<K, V>>,
}

impl<K: Eq + Hash + Clone, V> ByteCache<K, V> {
    pub(crate) fn new(limit: usize) -> Self {
        Self { limit, inner: Mutex::new(Inner { entries: HashMap::new(), bytes: 0, clock: 0 }) }
    }

    pub(crate) fn get(&self, key: &K) -> Option<Arc<V>> {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.clock += 1;
        let clock = inner.clock;
        let entry = inner.entries.get_mut(key)?;
        entry.used = clock;
        Some(Arc::clone(&entry.value))
    }

    /// Keep a value of about `bytes`; returns it, even if it is larger than the whole cache and therefore not kept.
    pub(crate) fn insert(&self, key: K, value: Arc<V>, bytes: usize) -> Arc<V> {
        if bytes > self.limit {
            return value;
        }
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.clock += 1;
        let used = inner.clock;
        if let Some(old) = inner.entries.insert(key, Entry { value: Arc::clone(&value), bytes, used }) {
            inner.bytes -= old.bytes;
        }
        inner.bytes += bytes;
        while inner.bytes > self.limit {
            let Some(oldest) =
                inner.entries.iter().min_by_key(|(_, entry)| entry.used).map(|(key, _)| key.clone())
            else {
                break;
            };
            if let Some(gone) = inner.entries.remove(&oldest) {
                inner.bytes -= gone.bytes;
            }
        }
        value
    }

    /// Keep only the values whose key passes.
    pub(crate) fn retain(&self, keep: impl Fn(&K) -> bool) {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.entries.retain(|key, _| keep(key));
        inner.bytes = inner.entries.values().map(|entry| entry.bytes).sum();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_value_used_longest_ago_goes_first() {
        let cache = ByteCache::new(100);
        cache.insert("a", Arc::new(1), 40);
        cache.insert("b", Arc::new(2), 40);
        assert_eq!(cache.get(&"a").as_deref(), Some(&1));
        cache.insert("c", Arc::new(3), 40);
        assert_eq!(cache.get(&"b"), None);
        assert_eq!(cache.get(&"a").as_deref(), Some(&1));
        assert_eq!(*cache.insert("d", Arc::new(4), 500), 4);
        assert_eq!(cache.get(&"d"), None);
    }
}
