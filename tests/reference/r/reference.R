# Outside values for tests/lifedata: written once by R, read by the tests, which need no R.
# Run in this folder: Rscript reference.R
suppressPackageStartupMessages({library(survival); library(MASS)})
rows <- list()
put <- function(set, name, values) {
  rows[[length(rows) + 1]] <<- data.frame(set = set, name = name, item = seq_along(values),
    value = formatC(as.numeric(values), digits = 17, format = "g", width = 1))
}
keep <- function(name, frame) write.csv(frame, paste0(name, ".csv"), row.names = FALSE, quote = FALSE)

# Shared Gamma effect of a patient (recurrence of infection), Breslow ties, EM.
kidney <- survival::kidney[, c("id", "time", "status", "age", "sex")]
keep("kidney", kidney)
close <- coxph.control(eps = 1e-12, toler.chol = 1e-13, iter.max = 500, outer.max = 500)
# The variance that R prints, and the effects at that variance and at two given ones.
fit <- coxph(Surv(time, status) ~ sex + frailty.gamma(id, method = "em", eps = 1e-10),
             data = kidney, ties = "breslow", control = close)
put("kidney", "variance", fit$history[[1]]$theta)
for (theta in c(fit$history[[1]]$theta, 0.25, 1)) {
  one <- coxph(Surv(time, status) ~ sex + frailty.gamma(id, theta = theta, method = "fixed"),
               data = kidney, ties = "breslow", control = close)
  each <- one$frail[match(kidney$id, sort(unique(kidney$id)))]
  linear <- kidney$sex * one$coefficients["sex"]
  # Breslow's cumulative hazard with the effects as offsets, at each time.
  hazard <- sapply(kidney$time, function(t) {
    ages <- kidney$time[kidney$status == 1 & kidney$time <= t]
    sum(1 / sapply(ages, function(u) sum(exp(linear + each)[kidney$time >= u])))
  })
  expected <- tapply(hazard * exp(linear), kidney$id, sum)
  name <- formatC(theta, digits = 4, format = "f")
  put("kidney", paste("expected", name), expected)
  put("kidney", paste("effect", name), exp(one$frail))
}

# Weibull accelerated life.
lung <- na.omit(survival::lung[, c("time", "status", "age", "sex", "ph.ecog")])
lung$status <- lung$status - 1
keep("lung", lung)
aft <- survreg(Surv(time, status) ~ age + sex + ph.ecog, data = lung, dist = "weibull",
               control = survreg.control(rel.tolerance = 1e-13, maxiter = 200))
put("lung", "coefficients", aft$coefficients)
put("lung", "scale", aft$scale)
put("lung", "loglik", aft$loglik[2])
put("lung", "se", sqrt(diag(aft$var)))

# Negative binomial counts: days away from school.
quine <- MASS::quine
quine$group <- as.integer(interaction(quine$Eth, quine$Sex, quine$Age, quine$Lrn, drop = TRUE))
nb <- glm.nb(Days ~ Eth + Sex + Age + Lrn, data = quine,
             control = glm.control(epsilon = 1e-13, maxit = 200))
keep("quine", data.frame(days = quine$Days, mean = formatC(fitted(nb), digits = 17, format = "g", width = 1)))
put("quine", "theta", nb$theta)
put("quine", "loglik", nb$twologlik / 2)

# A year as a Poisson regression with sine and cosine of the month, exposure in days.
days <- as.numeric(diff(seq(as.Date("1973-01-01"), as.Date("1979-01-01"), by = "month")))
month <- rep(1:12, 6)
deaths <- data.frame(month = month, count = as.numeric(USAccDeaths), days = days)
keep("accidental_deaths", deaths)
angle <- 2 * pi * (month - 0.5) / 12
season <- glm(count ~ cos(angle) + sin(angle) + offset(log(days)), family = poisson, data = deaths,
              control = glm.control(epsilon = 1e-14, maxit = 100))
put("accidental_deaths", "coefficients", coef(season))
put("accidental_deaths", "covariance", vcov(season))

values <- do.call(rbind, rows)
write.csv(values, "values.csv", row.names = FALSE, quote = FALSE)
writeLines(c(R.version.string, paste("survival", packageVersion("survival")),
             paste("MASS", packageVersion("MASS"))), "versions.txt")
