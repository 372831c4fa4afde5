#include "cli/usage_error.h"

#include <fmt/format.h>

#include <algorithm>

namespace sinewright {
namespace {

std::string command_list(const CLI::App& app) {
  std::string list;
  for (const CLI::App* command : app.get_subcommands([](const CLI::App*) { return true; })) {
    list += (list.empty() ? "" : ", ") + command->get_name();
  }
  return list;
}

std::string first_left_over(const CLI::App& app) {
  const std::vector<std::string> rest = app.remaining(true);
  return rest.empty() ? std::string() : rest.front();
}

}  // namespace

std::string usage_error_text(const CLI::App& app, const CLI::ParseError& error) {
  const std::vector<CLI::App*> chosen = app.get_subcommands();
  const std::string left_over = first_left_over(app);
  if (chosen.empty()) {
    if (left_over.empty()) {
      return fmt::format("no command given; give one of {}, or --help", command_list(app));
    }
    return fmt::format("{}: no such {}; give one of {}, or --help", left_over,
                       left_over.starts_with("-") ? "option" : "command", command_list(app));
  }
  const std::string help = fmt::format("see sinewright {} --help", chosen.front()->get_name());
  const CLI::App& command = *chosen.front();
  if (command.get_require_subcommand_min() > 0 && command.get_subcommands().empty()) {
    return left_over.empty() ? fmt::format("{}: no step given; give one of {}", command.get_name(),
                                           command_list(command))
                             : fmt::format("{}: no such step of {}; give one of {}", left_over,
                                           command.get_name(), command_list(command));
  }
  if (dynamic_cast<const CLI::ExtrasError*>(&error) != nullptr && !left_over.empty()) {
    return fmt::format("{}: {} does not take this; {}", left_over, chosen.front()->get_name(),
                       help);
  }
  return fmt::format("{}; {}", error.what(), help);
}

}  // namespace sinewright
