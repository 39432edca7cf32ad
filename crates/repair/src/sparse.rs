//! Stores the values of a plane in a few runs of its rows.

/// Adjacent pixels of one row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct ValueRun {
    pub(crate) x0: u32,
    pub(crate) x1: u32,
    at: u32,
}

/// Runs of values, row by row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RunRows<T> {
    /// Index of the first run of every row, then the number of all runs.
    starts: Vec<u32>,
    runs: Vec<ValueRun>,
    values: Vec<T>,
}

impl<T: Copy> RunRows<T> {
    pub(crate) fn new() -> Self {
        Self { starts: vec![0], runs: Vec::new(), values: Vec::new() }
    }

    /// Appends a row: the chosen columns, in order, with their values.
    pub(crate) fn push_row(&mut self, chosen: impl IntoIterator<Item = (u32, T)>) {
        let first = self.runs.len();
        for (x, value) in chosen {
            match self.runs[first..].last_mut() {
                Some(run) if run.x1 == x => run.x1 = x + 1,
                _ => self.runs.push(ValueRun { x0: x, x1: x + 1, at: self.values.len() as u32 }),
            }
            self.values.push(value);
        }
        self.starts.push(self.runs.len() as u32);
    }

    /// Appends the rows of `other`.
    pub(crate) fn append(&mut self, other: &Self) {
        let (runs, values) = (self.runs.len() as u32, self.values.len() as u32);
        self.starts.extend(other.starts[1..].iter().map(|s| s + runs));
        self.runs.extend(other.runs.iter().map(|run| ValueRun { at: run.at + values, ..*run }));
        self.values.extend_from_slice(&other.values);
    }

    pub(crate) fn height(&self) -> u32 {
        self.starts.len() as u32 - 1
    }

    pub(crate) fn row(&self, y: u32) -> impl Iterator<Item = (ValueRun, &[T])> + '_ {
        let y = y as usize;
        self.runs[self.starts[y] as usize..self.starts[y + 1] as usize].iter().map(|run| {
            let at = run.at as usize;
            (*run, &self.values[at..at + (run.x1 - run.x0) as usize])
        })
    }

    /// Value of a pixel, if it is in a run.
    pub(crate) fn get(&self, x: u32, y: u32) -> Option<T> {
        let y = y as usize;
        let runs = &self.runs[self.starts[y] as usize..self.starts[y + 1] as usize];
        let after = runs.partition_point(|run| run.x1 <= x);
        let run = runs.get(after).filter(|run| run.x0 <= x)?;
        Some(self.values[(run.at + x - run.x0) as usize])
    }

    /// Memory use in bytes.
    pub(crate) fn bytes(&self) -> usize {
        self.starts.len() * 4 + self.runs.len() * size_of::<ValueRun>() + self.values.len() * size_of::<T>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_joined_give_the_values_that_were_put_in() {
        let row = |pattern: &str| {
            let mut rows = RunRows::new();
            let chosen = (0..).zip(pattern.chars()).filter(|(_, c)| *c == 'x');
            rows.push_row(chosen.map(|(x, _)| (x, x as u8)));
            rows
        };
        let mut all = row("..xx..x");
        all.append(&row("......."));
        all.append(&row("x.....x"));
        assert_eq!(all.height(), 3);
        let found: Vec<(u32, u32)> = (0..3)
            .flat_map(|y| (0..7).map(move |x| (x, y)))
            .filter(|&(x, y)| all.get(x, y) == Some(x as u8))
            .collect();
        assert_eq!(found, [(2, 0), (3, 0), (6, 0), (0, 2), (6, 2)]);
        assert_eq!(
            all.row(0).map(|(run, v)| (run.x0, run.x1, v.len())).collect::<Vec<_>>(),
            [(2, 4, 2), (6, 7, 1)]
        );
        assert_eq!(all.get(4, 0), None);
    }
}
