//! Fallible allocation: if the system refuses memory, the caller gets an error and the program continues.
//!
//! Every buffer of about a megabyte or more is allocated here; smaller ones are allocated the usual way.

use bytemuck::Zeroable;

/// The system refused memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the system has no memory for {bytes} bytes")]
pub struct NoMemory {
    /// Bytes requested.
    pub bytes: u64,
}

/// Zeroed elements; the system clears their pages on first use.
pub fn zeroed<T: Zeroable>(count: u64) -> Result<Vec<T>, NoMemory> {
    let refused = NoMemory { bytes: count.saturating_mul(size_of::<T>() as u64) };
    let len = usize::try_from(count).ok().ok_or(refused)?;
    bytemuck::allocation::try_zeroed_vec(len).map_err(|()| refused)
}

/// Reserve capacity for `len` elements in total.
pub fn reserve<T>(buffer: &mut Vec<T>, len: usize) -> Result<(), NoMemory> {
    let refused = NoMemory { bytes: (len as u64).saturating_mul(size_of::<T>() as u64) };
    buffer.try_reserve_exact(len.saturating_sub(buffer.len())).ok().ok_or(refused)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_that_no_system_has_is_refused_with_its_size() {
        for count in [1 << 60, u64::MAX / 4, u64::MAX] {
            assert_eq!(zeroed::<u32>(count), Err(NoMemory { bytes: count.saturating_mul(4) }));
        }
        let mut buffer = vec![7_u16];
        assert_eq!(reserve(&mut buffer, 1 << 61), Err(NoMemory { bytes: 1 << 62 }));
        assert_eq!(reserve(&mut buffer, 1000), Ok(()));
        assert!(buffer == [7] && buffer.capacity() >= 1000);
        assert_eq!(zeroed::<u16>(3), Ok(vec![0; 3]));
    }
}
