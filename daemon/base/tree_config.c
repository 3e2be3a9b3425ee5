/* A tree out of a libconfig file. */
#include "daemon/base/tree_node.h"

#include <errno.h>
#include <fcntl.h>
#include <libconfig.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static int build(struct tree *tree, struct tree_node *node, const config_setting_t *setting, int depth, struct error *err);

static int build_members(struct tree *tree, struct tree_node *node, const config_setting_t *setting, int depth, struct error *err)
{
    int count = config_setting_length(setting);
    if (tree_grow(tree, node, (size_t)count, depth, err) < 0)
        return -1;
    for (int i = 0; i < count; i++)
        if (build(tree, &node->members[i], config_setting_get_elem(setting, (unsigned)i), depth + 1, err) < 0)
            return -1;
    return 0;
}

static int build(struct tree *tree, struct tree_node *node, const config_setting_t *setting, int depth, struct error *err)
{
    const char *name = config_setting_name(setting);
    node->line = node->parent ? (int)config_setting_source_line(setting) : 1;
    if (name && node->parent && tree_set_key(tree, node, name, err) < 0)
        return -1;
    switch (config_setting_type(setting)) {
    case CONFIG_TYPE_GROUP:
        node->type = TREE_GROUP;
        return build_members(tree, node, setting, depth, err);
    case CONFIG_TYPE_LIST:
    case CONFIG_TYPE_ARRAY:
        node->type = TREE_LIST;
        return build_members(tree, node, setting, depth, err);
    case CONFIG_TYPE_INT:
        return tree_set_integer(tree, node, config_setting_get_int(setting), err);
    case CONFIG_TYPE_INT64:
        return tree_set_integer(tree, node, config_setting_get_int64(setting), err);
    case CONFIG_TYPE_FLOAT:
        return tree_set_real(tree, node, config_setting_get_float(setting), err);
    case CONFIG_TYPE_BOOL:
        node->type = TREE_BOOLEAN;
        node->integer = config_setting_get_bool(setting) != 0;
        return 0;
    case CONFIG_TYPE_STRING: {
        const char *string = config_setting_get_string(setting);
        return tree_set_string(tree, node, string, strlen(string), err);
    }
    default:
        return tree_refuse((struct tree_at){tree, node}, err, "has no type, expected a value");
    }
}

static int refuse_syntax(const struct tree *tree, const config_t *config, struct error *err)
{
    const char *text = config_error_text(config);
    bool twice = strstr(text, "duplicate") != NULL;
    return error_set(err, ERROR_FILE, "%s:%d: %s, expected %s", tree->file, config_error_line(config), text,
                     twice ? "each key once in its group" : "settings of the form key = value;");
}

static int parse(struct tree *tree, struct error *err)
{
    config_t config;
    int result;
    config_init(&config);
    config_set_auto_convert(&config, CONFIG_FALSE);
    if (config_read_string(&config, tree->text) != CONFIG_TRUE)
        result = refuse_syntax(tree, &config, err);
    else
        result = build(tree, &tree->root, config_root_setting(&config), 0, err);
    config_destroy(&config);
    return result;
}

static struct tree *read_bytes(const char *name, const char *text, size_t len, struct error *err)
{
    if (tree_check_source(name, text, len, err) < 0)
        return NULL;
    struct tree *tree = tree_new(name, text, len, err);
    if (tree && parse(tree, err) < 0) {
        tree_free(tree);
        return NULL;
    }
    return tree;
}

struct tree *tree_read_text(const char *name, const char *text, struct error *err)
{
    size_t len = strnlen(text, TREE_TEXT_MAX + 1);
    if (len > TREE_TEXT_MAX) {
        error_set(err, ERROR_FILE, "%s:1: more than %d bytes, expected a settings file", name, TREE_TEXT_MAX);
        return NULL;
    }
    return read_bytes(name, text, len, err);
}

/* O_NONBLOCK, so that a FIFO under that name can't keep us. */
static int open_regular(const char *path, struct error *err)
{
    struct stat status;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0)
        return error_errno(err, ERROR_FILE, errno, "%s:0: can't be opened", path);
    if (fstat(fd, &status) == 0 && S_ISREG(status.st_mode) && status.st_size <= TREE_TEXT_MAX)
        return fd;
    if (S_ISREG(status.st_mode))
        error_set(err, ERROR_FILE, "%s:0: %lld bytes long, expected at most %d", path, (long long)status.st_size, TREE_TEXT_MAX);
    else
        error_set(err, ERROR_FILE, "%s:0: no regular file, expected a settings file", path);
    close(fd);
    return -1;
}

/* Bytes read, at most size; -1: errno. */
static ssize_t read_whole(int fd, char *to, size_t size)
{
    size_t len = 0;
    while (len < size) {
        ssize_t got = read(fd, to + len, size - len);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return -1;
        if (got == 0)
            break;
        len += (size_t)got;
    }
    return (ssize_t)len;
}

struct tree *tree_read_file(const char *path, struct error *err)
{
    struct tree *tree = NULL;
    int fd = open_regular(path, err);
    if (fd < 0)
        return NULL;
    char *text = malloc(TREE_TEXT_MAX + 1);
    ssize_t len = text ? read_whole(fd, text, TREE_TEXT_MAX + 1) : -1;
    if (!text)
        error_set(err, ERROR_MEMORY, "%s:0: no memory to read it", path);
    else if (len < 0)
        error_errno(err, ERROR_FILE, errno, "%s:0: can't be read", path);
    else if (len > TREE_TEXT_MAX)
        error_set(err, ERROR_FILE, "%s:0: more than %d bytes long, expected fewer", path, TREE_TEXT_MAX);
    else
        tree = read_bytes(path, text, (size_t)len, err);
    free(text);
    close(fd);
    return tree;
}
