//! Where points begin in the record that they were cut from, which a clock that is stated goes on from.

use super::Job;
use crate::flow::Kind;
use crate::fuse::Shared;
use crate::graph::Node;
use crate::store::ChannelHeader;

impl Job<'_> {
    /// The place of a flow's first sample in the record that its point was cut from, in samples of the flow; `None`
    /// where there is no such record. `header` gives the header of an input at that point.
    pub(super) fn place<'h>(
        &self,
        header: impl Fn(Node) -> Option<&'h ChannelHeader>,
        (node, port): (Node, usize),
    ) -> Option<f64> {
        let mut input = node;
        while input >= self.recipe.inputs.len() {
            input = self.reads(input).first()?.0;
        }
        let header = header(input).filter(|header| header.begins > 0)?;
        let rate = self.typed.flow(node, port)?.rate?;
        Some(header.begins as f64 * (rate / header.rate))
    }

    /// The same of the clock that chains are mixed with which are computed together.
    pub(super) fn place_of_clock<'h>(
        &self,
        header: impl Fn(Node) -> Option<&'h ChannelHeader>,
        shared: &Shared,
    ) -> Option<f64> {
        let is_clock = |node: &&Node| {
            let flow = self.typed.flow(**node, 0);
            flow.is_some_and(|flow| flow.kind == Kind::Clock)
        };
        let mut chains = self.plan.together.iter();
        let chain = chains.find(|chain| shared.heads.contains(&chain.head))?;
        let clock = chain.through.iter().find(is_clock)?;
        self.place(header, *self.reads(*clock).first()?)
    }
}
