"""From a source to a review, memo, sheet or check: what `import drift` and the command line call.

Entrance: `face` (what `import drift` offers), `reviews.review_source`, `memos.retirement_memo`,
`memos.write_impact`, `bench.check`.  Rests on `review` and `report`.
"""
