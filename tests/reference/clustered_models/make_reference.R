# Reference values for the models of athletes who come back, from R. The tests read the csv files; R isn't needed.
#
#   Rscript tests/reference/clustered_models/make_reference.R   (from the project's folder; Debian: r-cran-lme4,
#                                                                r-cran-geepack, r-cran-survival)
#
# generated.csv: twelve data sets, small, lopsided, from no spread between athletes to a large one; in sets 3, 7 and 11
#                an athlete shows one technique only.
# intercept.csv: lme4's glmer with 25 quadrature points: estimates, sd, log-likelihood, profile limits of `first` and of
#                the sd. NA where the profile stopped.
# gee.csv:       geepack's geeglm, exchangeable: estimates, robust standard errors, working correlation; also for
#                geepack's data ohio and respiratory (the file respiratory.csv).
# within.csv:    survival's clogit, exact, athletes as strata: log odds ratio and standard error.
suppressMessages({library(lme4); library(geepack); library(survival)})
RNGkind("Mersenne-Twister", "Inversion", "Rejection")
set.seed(20261202)
folder <- "tests/reference/clustered_models"
data <- intercept <- gee <- within <- NULL
for (set in 1:12) {
  athletes <- c(12, 15, 20, 22, 25, 30, 34, 40, 48, 60, 80, 120)[set]
  sd <- c(0, 1, 2)[set %% 3 + 1]
  size <- sample(1:6, athletes, TRUE)
  athlete <- rep(seq_len(athletes), size)
  first <- rbinom(length(athlete), 1, .35)
  if (set %in% c(3, 7, 11)) first <- as.integer(athlete <= athletes / 3)
  difficulty <- (50 + rbinom(length(athlete), 12, .4)) / 10
  effect <- rnorm(athletes, sd = sd)
  stuck <- rbinom(length(athlete), 1, plogis(.4 + .8 * first - .6 * (difficulty - 5.4) + effect[athlete]))
  d <- data.frame(set = set, athlete, first, difficulty, stuck)
  data <- rbind(data, d)

  tight <- glmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9, maxfun = 1e5))
  fit <- suppressMessages(glmer(stuck ~ first + difficulty + (1 | athlete), d, binomial, nAGQ = 25, control = tight))
  limits <- tryCatch(suppressWarnings(suppressMessages(confint(fit, c(".sig01", "first"), method = "profile"))),
                     error = function(e) matrix(NA, 2, 2))
  intercept <- rbind(intercept, data.frame(set = set, t(fixef(fit)), sd = sqrt(unlist(VarCorr(fit))[[1]]),
    log_likelihood = as.numeric(logLik(fit)),
    first_error = sqrt(vcov(fit)[2, 2]), first_low = limits[2, 1], first_high = limits[2, 2],
    sd_low = limits[1, 1], sd_high = limits[1, 2]))

  g <- geeglm(stuck ~ first + difficulty, binomial, d, id = athlete, corstr = "exchangeable",
              control = geese.control(epsilon = 1e-10, maxit = 200))
  gee <- rbind(gee, data.frame(set = set, name = names(coef(g)), estimate = coef(g),
    error = summary(g)$coefficients[, 2], correlation = g$geese$alpha))

  if (!set %in% c(3, 7, 11)) {
    w <- clogit(stuck ~ first + strata(athlete), d, method = "exact", control = coxph.control(eps = 1e-12, toler.chol = 1e-14))
    within <- rbind(within, data.frame(set = set, log_odds_ratio = coef(w), error = sqrt(vcov(w))[1]))
  }
}
data(ohio, package = "geepack")
data(respiratory, package = "geepack")
g <- geeglm(resp ~ age * smoke, binomial, ohio, id = id, corstr = "exchangeable", control = geese.control(epsilon = 1e-10, maxit = 200))
gee <- rbind(gee, data.frame(set = "ohio", name = names(coef(g)), estimate = coef(g), error = summary(g)$coefficients[, 2], correlation = g$geese$alpha))
respiratory$own <- interaction(respiratory$center, respiratory$id)
respiratory <- respiratory[order(respiratory$center, respiratory$id, respiratory$visit), ]
for (which in c("respiratory", "respiratory, id alone")) {
  r <- respiratory
  r$cluster <- as.integer(if (which == "respiratory") factor(r$own, unique(r$own)) else factor(r$id))
  r <- r[order(r$cluster), ]
  g <- geeglm(outcome ~ center + treat + sex + age + baseline, binomial, r, id = cluster, corstr = "exchangeable",
              control = geese.control(epsilon = 1e-10, maxit = 200))
  gee <- rbind(gee, data.frame(set = gsub(", ", " ", which), name = names(coef(g)), estimate = coef(g), error = summary(g)$coefficients[, 2], correlation = g$geese$alpha))
}
save <- function(table, name) {
  numeric <- sapply(table, is.numeric)
  table[numeric] <- lapply(table[numeric], function(v) signif(v, 10))
  write.csv(table, file.path(folder, name), row.names = FALSE, quote = FALSE, na = "")
}
save(data, "generated.csv"); save(intercept, "intercept.csv"); save(gee, "gee.csv"); save(within, "within.csv")
save(ohio, "ohio.csv"); save(respiratory[c("center", "id", "treat", "sex", "age", "baseline", "visit", "outcome")], "respiratory.csv")
writeLines(c(R.version.string, paste("lme4", packageVersion("lme4")), paste("geepack", packageVersion("geepack")),
             paste("survival", packageVersion("survival")), paste("made on", Sys.Date())), file.path(folder, "versions.txt"))
