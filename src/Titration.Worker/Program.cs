using System.CommandLine;
using Titration.Worker.Commands;

ParseResult parsed = CommandLine.Root().Parse(args);
CommandLine.Shorten(parsed.CommandResult.Command);
int code = await parsed.InvokeAsync();

// 0 done, 1 it found something wrong, 2 usage.
return parsed.Errors.Count > 0 ? ExitCode.Usage : code;
