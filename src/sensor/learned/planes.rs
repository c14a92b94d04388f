//! Planes of a net: a few rows of each channel, in pieces of even and odd columns.

/// Pairs of columns that are worked on together: long enough that each load pays, short
/// enough that what is between two layers stays in the second cache.
pub(super) const PIECE: usize = 32;

/// Where even and odd columns begin in a piece: at a whole line of the cache.
pub(super) const EVEN: usize = 0;
pub(super) const ODD: usize = EVEN + PIECE + 16;

/// [`PIECE`] pairs of columns of a channel: the even columns, the even column after them, some that
/// nobody reads, the odd column before them, the odd columns. So neighbours of even and of odd columns are
/// read without moving values within registers.
#[derive(Clone)]
#[repr(align(64))]
pub(super) struct Piece(pub(super) [f32; ODD + PIECE]);

impl Piece {
    pub(super) const EMPTY: Self = Self([0.0; ODD + PIECE]);

    /// [`PIECE`] columns from a place on: [`EVEN`], [`ODD`], or one column off.
    #[inline(always)]
    pub(super) fn columns(&self, first: usize) -> &[f32; PIECE] {
        let values = self.0[first..].first_chunk();
        values.expect("places are inside of a piece")
    }

    #[inline(always)]
    pub(super) fn columns_mut(&mut self, first: usize) -> &mut [f32; PIECE] {
        let values = self.0[first..].first_chunk_mut();
        values.expect("places are inside of a piece")
    }
}

/// Rows of some channels, of which so many as `rows` are kept: row `y` takes the place of row
/// `y - rows`. Each row is cut in pieces; all channels of one piece stand together.
pub(super) struct Planes {
    pub(super) channels: usize,
    pub(super) rows: usize,
    pub(super) pieces: usize,
    values: Vec<Piece>,
}

impl Planes {
    /// `width` in columns, not in pairs.
    pub(super) fn new(channels: usize, rows: usize, width: usize) -> Self {
        let pieces = width.div_ceil(2 * PIECE);
        Self {
            channels,
            rows,
            pieces,
            values: vec![Piece::EMPTY; channels * pieces * rows],
        }
    }

    fn long(&self) -> usize {
        self.pieces * self.channels
    }

    /// All pieces of a row.
    #[inline(always)]
    pub(super) fn row(&self, y: usize) -> &[Piece] {
        &self.values[y % self.rows * self.long()..][..self.long()]
    }

    /// `N` rows from `y` on, where both `y` and [`Self::rows`] are multiples of `N`.
    #[inline(always)]
    pub(super) fn group<const N: usize>(&self, y: usize) -> [&[Piece]; N] {
        std::array::from_fn(|k| self.row(y + k))
    }

    /// [`Self::group`], to be written.
    #[inline(always)]
    pub(super) fn group_mut<const N: usize>(&mut self, y: usize) -> [&mut [Piece]; N] {
        let long = self.long();
        let mut rows = self.values[y % self.rows * long..].chunks_exact_mut(long);
        std::array::from_fn(|_| rows.next().expect("groups lie together"))
    }

    /// Tells the pieces of `count` rows from `y` on, a group, their neighbours' outermost columns.
    pub(super) fn link(&mut self, y: usize, count: usize) {
        for piece in 1..self.pieces {
            self.join(y, count, piece);
        }
    }

    /// [`Self::link`] for a piece and the one before it.
    #[inline(always)]
    pub(super) fn join(&mut self, y: usize, count: usize, piece: usize) {
        let (long, channels) = (self.long(), self.channels);
        let at = y % self.rows * long;
        for row in self.values[at..at + count * long].chunks_exact_mut(long) {
            let (before, after) = row.split_at_mut(piece * channels);
            let before = &mut before[(piece - 1) * channels..];
            for (Piece(left), Piece(right)) in before.iter_mut().zip(after) {
                right[ODD - 1] = left[ODD + PIECE - 1];
                left[EVEN + PIECE] = right[EVEN];
            }
        }
    }
}
