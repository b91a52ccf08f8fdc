//! Loops compiled a second time for the wider vector instructions that most machines have.
//!
//! A binary that runs everywhere may use 128-bit instructions only. The same loop, compiled for 256 bits as well and chosen
//! when it runs, takes about half the time; nothing is reordered or fused, so its results are the same to the last bit.

/// Functions that are compiled twice. Each has one lifetime, which all its references have; what it calls must be marked
/// `#[inline(always)]`, for only what is compiled into it is wide.
macro_rules! wide {
    ($($(#[$meta:meta])* $vis:vis fn $name:ident<$life:lifetime>($($arg:ident: $type:ty),* $(,)?) $(-> $out:ty)? $body:block)*) => {$(
        $(#[$meta])*
        $vis fn $name<$life>($($arg: $type),*) $(-> $out)? {
            struct Loop<$life> { $($arg: $type,)* }
            impl<$life> pulp::NullaryFnOnce for Loop<$life> {
                type Output = $crate::numerics::wide::wide!(@ $($out)?);

                #[inline(always)]
                fn call(self) -> Self::Output {
                    let Self { $($arg),* } = self;
                    $body
                }
            }
            pulp::Arch::new().dispatch(Loop { $($arg),* })
        }
    )*};
    (@) => { () };
    (@ $out:ty) => { $out };
}

pub(crate) use wide;

wide! {
    /// Adds the one to the other, element by element.
    pub fn add<'a>(sums: &'a mut [f32], values: &'a [f32]) {
        sums.iter_mut().zip(values).for_each(|(sum, value)| *sum += value);
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_wide_loop_gives_what_a_plain_one_does() {
        let values: Vec<f32> = (0..1001).map(|at| (at as f32).sqrt() * 1.7e-3).collect();
        let mut wide: Vec<f32> = (0..1001).map(|at| 1e3 / (at as f32 + 0.3)).collect();
        let plain: Vec<f32> = wide.iter().zip(&values).map(|(a, b)| a + b).collect();
        super::add(&mut wide, &values);
        assert_eq!(wide, plain);
    }
}
