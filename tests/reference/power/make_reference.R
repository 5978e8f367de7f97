# Remakes fisher_power.csv and normal.csv with base R alone: Rscript make_reference.R
# fisher_power.csv: fisher.test on every table, its rejections weighted by binomial probabilities.
# normal.csv: power.prop.test, with both tails.
cases <- data.frame(
  p1 = c(0.5, 0.9, 0.9, 1.0, 0.2, 0.85, 0.9, 0.3),
  p2 = c(0.9, 0.6, 0.6, 0.6, 0.7, 0.4, 0.6, 0.8),
  n1 = c(20, 9, 32, 9, 13, 7, 17, 12),
  n2 = c(20, 22, 32, 22, 11, 30, 25, 19),
  alpha = c(0.05, 0.05, 0.05, 0.05, 0.01, 0.1, 0.05, 0.05),
  alternative = c("two.sided", "two.sided", "two.sided", "two.sided", "two.sided", "two.sided", "greater", "less")
)
power <- function(p1, p2, n1, n2, alpha, alternative) {
  total <- 0
  for (x1 in 0:n1) for (x2 in 0:n2) {
    p <- fisher.test(matrix(c(x1, n1 - x1, x2, n2 - x2), 2), alternative = alternative)$p.value
    if (p <= alpha * (1 + 1e-9)) total <- total + dbinom(x1, n1, p1) * dbinom(x2, n2, p2)
  }
  total
}
cases$power <- mapply(power, cases$p1, cases$p2, cases$n1, cases$n2, cases$alpha, cases$alternative)
cases$power <- formatC(cases$power, digits = 15, format = "g")
cases$alternative <- sub("\\.", "-", cases$alternative)
write.csv(cases, "fisher_power.csv", row.names = FALSE, quote = FALSE)

normal <- data.frame(p1 = c(0.5, 0.9, 0.15), p2 = c(0.75, 0.6, 0.3), n = c(50, 24, 40), alpha = c(0.05, 0.05, 0.2))
normal$power <- mapply(function(p1, p2, n, alpha) {
  power.prop.test(n = n, p1 = p1, p2 = p2, sig.level = alpha, strict = TRUE)$power
}, normal$p1, normal$p2, normal$n, normal$alpha)
normal$power <- formatC(normal$power, digits = 15, format = "g")
write.csv(normal, "normal.csv", row.names = FALSE, quote = FALSE)
writeLines(R.version.string, "versions.txt")
