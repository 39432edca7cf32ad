//! A plane in which only the used tiles take memory, because marks are few and frames are large.

use glassine_raster::PixelRect;

/// Side of the tiles, each allocated when one of its pixels is first set. Our choice: a speck fits a tile.
const TILE_PX: u32 = 16;
const TILE_AREA: usize = (TILE_PX * TILE_PX) as usize;
/// Marks a tile that is not allocated.
const NONE: u32 = u32::MAX;

/// A plane of values that are nearly all the same.
#[derive(Debug, Clone)]
pub(crate) struct Grid<T> {
    width: u32,
    height: u32,
    columns: u32,
    rest: T,
    index: Vec<u32>,
    /// Columns of the allocated tiles, in order, for every row of tiles.
    made: Vec<Vec<u32>>,
    tiles: Vec<[T; TILE_AREA]>,
}

impl<T: Copy + PartialEq> Grid<T> {
    /// A plane that holds `rest` everywhere.
    pub(crate) fn new(width: u32, height: u32, rest: T) -> Self {
        let columns = width.div_ceil(TILE_PX);
        let rows = height.div_ceil(TILE_PX) as usize;
        let index = vec![NONE; columns as usize * rows];
        Self { width, height, columns, rest, index, made: vec![Vec::new(); rows], tiles: Vec::new() }
    }

    pub(crate) fn width(&self) -> u32 {
        self.width
    }

    pub(crate) fn height(&self) -> u32 {
        self.height
    }

    #[inline]
    fn tile(&self, x: u32, y: u32) -> usize {
        (y / TILE_PX * self.columns + x / TILE_PX) as usize
    }

    #[inline]
    pub(crate) fn at(&self, x: u32, y: u32) -> T {
        debug_assert!(x < self.width && y < self.height, "inside the plane");
        match self.index[self.tile(x, y)] {
            NONE => self.rest,
            tile => self.tiles[tile as usize][(y % TILE_PX * TILE_PX + x % TILE_PX) as usize],
        }
    }

    /// Mutable access to a value inside the plane.
    pub(crate) fn at_mut(&mut self, x: u32, y: u32) -> &mut T {
        debug_assert!(x < self.width && y < self.height, "inside the plane");
        let tile = self.tile(x, y);
        if self.index[tile] == NONE {
            self.index[tile] = self.tiles.len() as u32;
            self.tiles.push([self.rest; TILE_AREA]);
            let (made, column) = (&mut self.made[(y / TILE_PX) as usize], x / TILE_PX);
            made.insert(made.partition_point(|c| *c < column), column);
        }
        &mut self.tiles[self.index[tile] as usize][(y % TILE_PX * TILE_PX + x % TILE_PX) as usize]
    }

    pub(crate) fn set(&mut self, x: u32, y: u32, value: T) {
        *self.at_mut(x, y) = value;
    }

    /// Columns of a row within `x0..x1` that may differ from the default value, piece by piece.
    pub(crate) fn touched(&self, y: u32, x0: u32, x1: u32) -> impl Iterator<Item = (u32, &[T])> + '_ {
        let row = (y / TILE_PX * self.columns) as usize;
        let first = (y % TILE_PX * TILE_PX) as usize;
        let (made, end) = (self.made[(y / TILE_PX) as usize].as_slice(), x1.div_ceil(TILE_PX));
        let made = &made[made.partition_point(|c| *c < x0 / TILE_PX)..];
        made.iter().take_while(move |column| **column < end).map(move |&column| {
            let start = column * TILE_PX;
            let (from, to) = (start.max(x0), (start + TILE_PX).min(x1).min(self.width));
            let tile = &self.tiles[self.index[row + column as usize] as usize];
            let line = &tile[first..first + TILE_PX as usize];
            (from, &line[(from - start) as usize..(to - start) as usize])
        })
    }

    /// Whether any value within `rect` passes a test that the default value fails.
    pub(crate) fn any(&self, rect: PixelRect, test: impl Fn(T) -> bool) -> bool {
        let rect = rect.intersect(PixelRect::of_size(self.width, self.height));
        (rect.y0..rect.y1)
            .any(|y| self.touched(y, rect.x0, rect.x1).any(|(_, line)| line.iter().any(|v| test(*v))))
    }

    /// Memory use in bytes.
    pub(crate) fn bytes(&self) -> usize {
        self.index.len() * 4
            + self.made.len() * size_of::<Vec<u32>>()
            + self.tiles.len() * 4
            + self.tiles.len() * TILE_AREA * size_of::<T>()
    }
}

/// Equal when all values are equal, whichever tiles are allocated.
impl<T: Copy + PartialEq> PartialEq for Grid<T> {
    fn eq(&self, other: &Self) -> bool {
        let tile = |grid: &Self, i: usize| match grid.index[i] {
            NONE => [grid.rest; TILE_AREA],
            tile => grid.tiles[tile as usize],
        };
        (self.width, self.height) == (other.width, other.height)
            && (0..self.index.len()).all(|i| {
                (self.index[i] == NONE && other.index[i] == NONE && self.rest == other.rest)
                    || tile(self, i) == tile(other, i)
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_set_is_read_and_everything_else_is_the_rest() {
        let mut grid = Grid::new(50, 33, 7_u8);
        for (x, y) in [(0, 0), (49, 32), (16, 15), (17, 15)] {
            grid.set(x, y, 1);
        }
        let ones: Vec<_> =
            (0..33).flat_map(|y| (0..50).map(move |x| (x, y))).filter(|&(x, y)| grid.at(x, y) != 7).collect();
        assert_eq!(ones, [(0, 0), (16, 15), (17, 15), (49, 32)]);
        let touched: Vec<u32> = grid
            .touched(15, 3, 18)
            .flat_map(|(x, line)| {
                (x..).zip(line).filter(|(_, v)| **v == 1).map(|(x, _)| x).collect::<Vec<_>>()
            })
            .collect();
        assert_eq!(touched, [16, 17]);
        assert!(grid.any(PixelRect::new(40, 20, 500, 500), |v| v == 1));
        assert!(!grid.any(PixelRect::new(18, 0, 49, 33), |v| v == 1));
    }

    #[test]
    fn grids_are_equal_when_their_values_are() {
        let (mut a, mut b) = (Grid::new(40, 40, 0_u16), Grid::new(40, 40, 0_u16));
        a.set(30, 3, 5);
        a.set(3, 30, 6);
        b.set(3, 30, 6);
        assert!(a != b);
        b.set(30, 3, 5);
        b.set(20, 20, 0);
        assert!(a == b && a.bytes() < b.bytes());
    }
}
