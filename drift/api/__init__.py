"""From a source to a review, memo, sheet or check: what `import drift` and the command line call.

Entrance: `reviews.review_source`, `reviews.prove_source`, `memos.retirement_memo`,
`memos.write_impact`, `bench.check`.  Rests on `review` and `report`.
"""
