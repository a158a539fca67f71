# Poisson limits, tails, rate ratios and run lengths by R, which the package
# internal/surveil/incidence must meet: one tab-separated line each, to standard output. Limits and
# ratios are R's poisson.test; mid-P by R's root finder on its own distributions; run lengths
# by solving the whole Markov chain (Brook & Evans, Biometrika 59:539, 1972) of a cumulative
# sum in halves or quarters of an event, where the chain is exact.
number <- function(v) sprintf("%.9g", v)
row <- function(kind, ...) cat(paste(c(kind, vapply(list(...), number, "")), collapse = "\t"), "\n", sep = "")
root <- function(f, lo, hi) uniroot(f, c(lo, hi), tol = 1e-15, maxiter = 10000)$root

# limits: events, level, exact lower and upper, mid-P lower and upper.
counts <- c(0:12, 15, 20, 25, 40, 75, 100, 250, 1000)
levels <- c(0.80, 0.90, 0.95, 0.99, 0.998)
for (x in counts) for (level in levels) {
  exact <- poisson.test(x, conf.level = level)$conf.int
  a <- (1 - level) / 2
  # On the logarithm, so that a small limit is found as exactly as a great one.
  low <- if (x == 0) 0 else exp(root(function(l) ppois(x, exp(l), lower.tail = FALSE) + dpois(x, exp(l)) / 2 - a, log(exact[1]) - 1, log(exact[2]) + 1))
  high <- exp(root(function(l) ppois(x - 1, exp(l)) + dpois(x, exp(l)) / 2 - a, log(max(exact[1], 1e-3)) - 1, log(exact[2]) + 1))
  row("limits", x, level, exact[1], exact[2], low, high)
}

# tails: events, mean, at least, at most.
for (mu in c(0.001, 0.05, 0.156, 0.3, 1, 1.2, 2.5, 5, 7.3, 20, 100)) for (x in c(0, 1, 2, 3, 4, 5, 8, 13, 20, 30))
  row("tails", x, mu, ppois(x - 1, mu, lower.tail = FALSE), ppois(x, mu))

# sir: observed, predicted, ratio, its exact limits at 95 %, one-sided p of more and of fewer.
for (e in c(1, 1.2, 2.5, 7, 30)) for (o in c(0, 1, 2, 4, 8, 12, 40)) {
  t <- poisson.test(o, e)
  more <- poisson.test(o, e, alternative = "greater")$p.value
  fewer <- poisson.test(o, e, alternative = "less")$p.value
  row("sir", o, e, t$estimate, t$conf.int[1], t$conf.int[2], more, fewer)
}

# ratio: events and exposure of either group, level, ratio, exact limits, one-sided p of
# more and of fewer in the first group, mid-P lower and upper.
groups <- list(c(93.4, 193.5), c(1200, 3600), c(60, 60), c(1, 25))
for (g in groups) for (x in c(0, 1, 2, 4, 6, 8, 20)) for (y in c(0, 1, 2, 5, 9, 30)) {
  if (x + y == 0) next # poisson.test has no answer
  for (level in c(0.90, 0.95, 0.99)) {
    t <- poisson.test(c(x, y), g, conf.level = level)
    more <- poisson.test(c(x, y), g, alternative = "greater")$p.value
    fewer <- poisson.test(c(x, y), g, alternative = "less")$p.value
    n <- x + y
    a <- (1 - level) / 2
    odds <- function(f) exp(root(function(l) f(plogis(l)), -40, 40)) * g[2] / g[1]
    low <- if (x == 0) 0 else odds(function(p) pbinom(x, n, p, lower.tail = FALSE) + dbinom(x, n, p) / 2 - a)
    high <- if (y == 0) Inf else odds(function(p) pbinom(x - 1, n, p) + dbinom(x, n, p) / 2 - a)
    row("ratio", x, g[1], y, g[2], level, t$estimate, t$conf.int[1], t$conf.int[2], more, fewer, low, high)
  }
}

# runs: parts of an event a step of the grid has, k and h in those parts, 1 for a signal only
# above h, mean, start in those parts, average run length.
runlength <- function(parts, k, h, above, mu, start) {
  top <- if (above) h else h - 1 # the last state that does not signal
  chain <- matrix(0, top + 1, top + 1)
  for (s in 0:top) for (y in 0:400) {
    to <- max(0, s + y * parts - k)
    if (to <= top) chain[s + 1, to + 1] <- chain[s + 1, to + 1] + dpois(y, mu)
  }
  solve(diag(top + 1) - chain, rep(1, top + 1))[start + 1]
}
for (c in list(c(2, 3, 10, 1), c(2, 3, 10, 2), c(1, 3, 10, 2.4), c(1, 3, 10, 4), c(2, 1, 6, 0.25), c(2, 1, 6, 0.5), c(2, 1, 6, 1), c(4, 1, 12, 0.1), c(4, 1, 12, 0.25), c(4, 5, 30, 2)))
  for (above in 0:1) for (start in c(0, c[3] %/% 2))
    row("runs", c[1], c[2], c[3], above, c[4], start, runlength(c[1], c[2], c[3], above == 1, c[4], start))
